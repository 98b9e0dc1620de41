"""Labels: layouts as data, the codec, finding labels on a medium, checking them."""

from imgkit.label.report import LabelReading, check_labels, list_layouts, read_labels

__all__ = ["LabelReading", "check_labels", "list_layouts", "read_labels"]

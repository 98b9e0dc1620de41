"""Results as self-contained HTML pages, one function for each kind of result."""

from imgkit.report.page.comparison import render_comparison

__all__ = ["render_comparison"]

"""Records as self-contained HTML pages."""

from imgkit.report.page.document import render_page

__all__ = ["render_page"]

"""Comparing a copy with its reference: which blocks differ, where they lie, what the labels of both say."""

from imgkit.comparison.differ import compare
from imgkit.comparison.result import Comparison

__all__ = ["Comparison", "compare"]

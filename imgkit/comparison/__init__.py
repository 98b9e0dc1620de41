"""Comparing a copy with its reference: which blocks differ, where they lie, what the labels of both say."""

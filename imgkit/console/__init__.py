"""Sums that the old machine computes: worksheets for it, and tallies of its answers."""

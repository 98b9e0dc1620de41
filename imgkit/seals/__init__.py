"""Manifests that stand in for an original, and checks against them."""

"""The checksums that old machines can compute: one at a time, side by side, of ranges and of areas."""

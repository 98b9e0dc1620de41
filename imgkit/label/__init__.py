"""Labels: layouts as data, the codec, finding labels on a medium, checking them."""

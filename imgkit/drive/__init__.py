"""The drive: geometry, addresses, timing."""

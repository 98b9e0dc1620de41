"""Buffers that a medium is read into at the full speed of memory."""

_LEAD_BYTES = 1008


def new_buffer(size_bytes: int) -> memoryview:
    """A buffer for reads that start at a page of the medium, as they mostly do.

    It starts well inside a page of memory. The kernel copies from pages of its cache; into a buffer that starts at
    nearly the same place of a page, each load seems to depend on the store just before it (their addresses are alike
    in the low twelve bits), and the copy takes three times as long.
    """
    return memoryview(bytearray(_LEAD_BYTES + size_bytes))[_LEAD_BYTES:]

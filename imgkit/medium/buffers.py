"""Buffers that a medium is read into at the full speed of memory."""

_LEAD_BYTES = 1008


def new_buffer(size_bytes: int) -> memoryview:
    """A buffer for reads that start at a page of the medium, as they mostly do.

    It starts well inside a page of memory. The kernel copies from pages of its cache; into a buffer that starts at
    nearly the same place of a page, each load seems to depend on the store just before it (their addresses are alike
    in the low twelve bits), and the copy takes three times as long.
    """
    return memoryview(bytearray(_LEAD_BYTES + size_bytes))[_LEAD_BYTES:]


class Buffers:
    """Some buffers of `size` bytes, to hold the same piece of as many media; `views` are what is read into."""

    def __init__(self, number: int, size: int) -> None:
        self.size = size
        self._whole = [bytearray(_LEAD_BYTES + size) for _ in range(number)]
        self.views = [memoryview(whole)[_LEAD_BYTES:] for whole in self._whole]

    def are_equal(self, one: int, other: int, count: int) -> bool:
        """Whether the first `count` bytes of two of them are the same; the leads are, since nothing is read there."""
        if one == other:
            return True
        if count == self.size:
            return self._whole[one] == self._whole[other]
        return self.views[one][:count].tobytes() == self.views[other][:count].tobytes()

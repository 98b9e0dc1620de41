"""The digests that can be computed of a medium, by name."""

from collections.abc import Callable
from typing import Any, Literal, Protocol, get_args

Algorithm = Literal["sha256", "xxh3-128"]
ALGORITHMS: tuple[Algorithm, ...] = get_args(Algorithm)


class Digest(Protocol):
    """What the objects of `hashlib` and `xxhash` have in common."""

    def update(self, data: memoryview, /) -> None: ...
    def hexdigest(self) -> str: ...
    def copy(self) -> Any: ...


def maker(algorithm: Algorithm) -> Callable[[], Digest]:
    """The function that makes a new digest: SHA-256 (FIPS 180-4) or XXH3 with 128 bits."""
    if algorithm == "sha256":
        import hashlib

        return hashlib.sha256
    import xxhash

    return xxhash.xxh3_128

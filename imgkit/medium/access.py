"""How a medium is opened: how much may be unpacked, how often a failing block is tried, whether from the cache."""

from typing import Literal

import msgspec

from imgkit.medium.packed import DEFAULT_UNPACK_LIMIT_BYTES

Packed = Literal["unpack", "leave"]
"""Whether a packed file stands for what it holds, or for its own bytes."""

Caching = Literal["avoid", "allow"]
"""Whether blocks of a device may come from the system's cache: `"avoid"` reads the medium itself."""

Route = Literal["cached", "direct I/O", "cache dropped"]
"""Which way the bytes came. Files come through the system's cache; a device is read with direct I/O, or, where that is
not possible, after the system was asked to drop its cache of it."""

DEFAULT_RETRIES = 1
MOST_RETRIES = 1000


class Access(msgspec.Struct, frozen=True):
    """`unpack_limit_bytes`: the most that a packed file may hold. `retries`: how often a block that gave a read error
    is read again before it counts as unreadable. `caching`: whether a device may be read through the system's cache.
    `packed`: whether packed files are unpacked."""

    unpack_limit_bytes: int = DEFAULT_UNPACK_LIMIT_BYTES
    retries: int = DEFAULT_RETRIES
    caching: Caching = "avoid"
    packed: Packed = "unpack"


DEFAULT_ACCESS = Access()

"""Partitions that a label only points to: the code beside the data, one function for each way of pointing.

A layout file names its follower in `follow`. A follower takes the medium's bytes and the label as decoded, and
returns it with what it found; it must end whatever the bytes say.
"""

from collections.abc import Callable

import msgspec

from imgkit.label.codec import Decoded, Read, has_magic, partition_from, slot_parser
from imgkit.label.result import Partition

MOST_RECORDS = 256
_FIRST_LOGICAL_NUMBER = 5


def extended_chain(read: Read, decoded: Decoded) -> Decoded:
    """Follow the chain of extended boot records (UEFI 2.10, 5.2; common practice).

    Of each record's first two slots, in either order, one is a logical partition, counted from that record; the other
    points to the next record, counted from the outermost container. A chain that loops or never ends is cut.
    """
    contained: list[tuple[Partition, Partition]] = []
    ends: list[str] = []
    for container in decoded.label.partitions:
        if not _is_container(decoded, container):
            continue
        record, seen = container.first, set[int]()
        while record not in seen and len(seen) < MOST_RECORDS:
            seen.add(record)
            slots = _record(read, decoded, record)
            if slots is None:
                ends.append(f"no record at block {record}")
                break
            pointer = None
            for slot in slots:
                number = str(_FIRST_LOGICAL_NUMBER + len(contained))
                here = partition_from(slot, decoded.variant, number, record)
                if _is_container(decoded, here):
                    pointer = pointer or partition_from(slot, decoded.variant, "")
                elif here.count > 0:
                    contained.append((container, here))
            if pointer is None:
                break
            record = container.first + pointer.first
        else:
            ends.append(
                f"it comes back to block {record}"
                if record in seen
                else f"it goes on after {MOST_RECORDS} records, at block {record}"
            )
    if not (contained or ends):
        return decoded
    logical = [partition for _, partition in contained]
    label = msgspec.structs.replace(
        decoded.label,
        partitions=(*decoded.label.partitions, *logical),
        fields={**decoded.label.fields, **({"chain_broken": ends} if ends else {})},
    )
    all_slots = (*decoded.slots, *logical)
    return msgspec.structs.replace(decoded, label=label, slots=all_slots, contained=tuple(contained))


def _is_container(decoded: Decoded, partition: Partition) -> bool:
    known = decoded.variant.layout.partition_type(partition.type_code)
    return known is not None and known.role == "container" and partition.count > 0


def _record(read: Read, decoded: Decoded, block: int) -> list[dict[str, object]] | None:
    """The slots of the extended boot record in a block, or None when there is none."""
    layout, order = decoded.variant.layout, decoded.variant.byte_order
    data = read(block * decoded.label.block_size, layout.most_bytes)
    if not all(has_magic(data, magic, order) for magic in layout.magic):
        return None
    array = layout.partitions
    parser = slot_parser(decoded.variant)
    return [dict(parser.parse(data[array.offset + i * array.stride :][: array.stride])) for i in range(2)]


FOLLOWERS: dict[str, Callable[[Read, Decoded], Decoded]] = {"extended-chain": extended_chain}

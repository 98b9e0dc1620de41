"""The ends of two media that are not of one length: the block that is cut on one side, and what only one side has."""

from imgkit.comparison.ledger import Ledger, RawSample
from imgkit.comparison.request import Request
from imgkit.comparison.scan import Pair
from imgkit.core import spans
from imgkit.core.spans import Span
from imgkit.medium import Medium

_LEAD_BYTES = 16
_SAMPLE_BYTES = 32


def look_at_ends(request: Request, pair: Pair, ledger: Ledger) -> None:
    """Put into the ledger the block that is cut on one side, then the blocks that only one side has."""
    common = request.common_blocks
    cut = pair.shared_end // request.block_size
    if pair.shared_end != pair.length and spans.overlapping(request.asked, Span(cut, 1)):
        _look_at_cut_block(request, pair, ledger, cut)
    for span in spans.intersection(request.asked, [Span(common, request.all_blocks - common)]):
        ledger.add(span, "missing" if request.reference_blocks > common else "extra")


def _look_at_cut_block(request: Request, pair: Pair, ledger: Ledger, block: int) -> None:
    size = request.block_size
    offset, length = block * size, pair.length - block * size
    left, right = bytearray(length), bytearray(length)
    are_lost = [
        bool(medium.read_recovering(offset, memoryview(part), size).lost)
        for medium, part in ((pair.reference, left), (pair.copy, right))
    ]
    if any(are_lost):
        ledger.add(Span(block, 1), "unreadable")
        ledger.lost_reference += are_lost[0]
        ledger.lost_copy += are_lost[1]
        return
    places = [place for place, (one, other) in enumerate(zip(left, right, strict=True)) if one != other]
    copy_goes_on = pair.copy.size_bytes > pair.reference.size_bytes
    if places or not (request.tail == "allow" and copy_goes_on):
        start = offset + max(0, (places[0] if places else length) - _LEAD_BYTES)
        count = min(_SAMPLE_BYTES, offset + size - start)
        ledger.samples.append(
            RawSample(block, start, _bytes_of(pair.reference, start, count), _bytes_of(pair.copy, start, count))
        )
        ledger.differing_bytes += len(places)
        ledger.add(Span(block, 1), "differ", len(places))


def _bytes_of(medium: Medium, start: int, count: int) -> bytes:
    try:
        return medium.read(start, count)
    except OSError:
        return b""

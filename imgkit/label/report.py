"""The questions that other rooms ask of labels: which are there, and what the checks say of them."""

from pathlib import Path

import msgspec

from imgkit.drive import Drive
from imgkit.findings import Finding, Verdict, Where, by_severity, verdict_of
from imgkit.label.finder import find_labels
from imgkit.label.layout import Variant, load_layout, named, variants
from imgkit.label.result import Label, LabelReport, LayoutList, LayoutSummary
from imgkit.medium import DEFAULT_UNPACK_LIMIT_BYTES, Medium, open_medium


class LabelReading(msgspec.Struct, frozen=True):
    """The labels of one medium, what the checks say of them, and what could not be read."""

    labels: tuple[Label, ...]
    findings: tuple[Finding, ...]
    not_read: tuple[str, ...]


def read_labels(
    medium: Medium, *, drive: Drive | None = None, wanted: tuple[Variant, ...] | None = None
) -> LabelReading:
    """Find and check the labels of an open medium; no label gives no finding.

    `wanted` are the layouts that are asked for; their other byte orders are looked for too and told as that.
    """
    searched = variants() if wanted is None else _with_other_byte_orders(wanted)
    search = find_labels(medium, searched, drive.sector_size if drive else None)
    findings: list[Finding] = []
    if search.found:
        from imgkit.label.checks import check
        from imgkit.label.checks.context import Context

        asked = () if wanted is None else tuple(variant.id for variant in wanted)
        for decoded in search.found:
            findings += check(Context(decoded, medium.size_bytes, drive, asked))
    return LabelReading(
        labels=tuple(decoded.label for decoded in search.found),
        findings=by_severity(findings),
        not_read=tuple(f"byte {offset}: a label may lie there" for offset in search.unreadable_bytes),
    )


def check_labels(
    medium: str | Path | Medium,
    *,
    layout: str | Path | None = None,
    drive: Drive | None = None,
    unpack_limit_bytes: int = DEFAULT_UNPACK_LIMIT_BYTES,
) -> LabelReport:
    """Decode and check every label on a medium.

    `layout` is a layout's id, or the path of a layout file (it ends in `.toml`). Raises InputError when the
    medium cannot be opened, RequestError for an unknown layout, DescriptionError for a faulty layout file.
    """
    from imgkit import __version__

    wanted = None if layout is None else _chosen(layout)
    if not isinstance(medium, Medium):
        with open_medium(medium, unpack_limit_bytes=unpack_limit_bytes) as opened:
            return check_labels(opened, layout=layout, drive=drive)
    reading = read_labels(medium, drive=drive, wanted=wanted)
    tried = variants() if wanted is None else wanted
    findings = reading.findings
    if not reading.labels:
        names = ", ".join(variant.id for variant in tried)
        findings = (
            Finding(
                "label.none",
                "stop",
                f"no label found; looked for {names}, in blocks 0 and 1",
                Where(block=0),
                "See whether this is the whole disk and not one partition, and whether its bytes are in the "
                "right order. A driver that finds no label makes one up.",
            ),
        )
    verdict: Verdict = "incomplete" if reading.not_read else verdict_of(findings)
    return LabelReport(
        version=__version__,
        verdict=verdict,
        findings=findings,
        path=str(medium.path),
        size_bytes=medium.size_bytes,
        labels=reading.labels,
        drive=drive,
        layouts_tried=tuple(variant.id for variant in tried),
        not_read=reading.not_read,
    )


def list_layouts() -> LayoutList:
    """The layouts that imgkit knows, each in each of its byte orders."""
    from imgkit import __version__

    return LayoutList(
        version=__version__,
        layouts=tuple(
            LayoutSummary(
                id=variant.id,
                title=variant.layout.title,
                source=variant.layout.source,
                byte_order=variant.byte_order,
                places=tuple((place.block, place.offset) for place in variant.layout.place),
                maximum_slots=variant.layout.partitions.maximum,
            )
            for variant in variants()
        ),
    )


def _chosen(layout: str | Path) -> tuple[Variant, ...]:
    if isinstance(layout, Path) or str(layout).endswith(".toml"):
        return variants((load_layout(layout),))
    return named(layout)


def _with_other_byte_orders(wanted: tuple[Variant, ...]) -> tuple[Variant, ...]:
    """The wanted variants first, then their layouts in the remaining byte orders."""
    layouts = tuple(dict.fromkeys(variant.layout for variant in wanted))
    return wanted + tuple(variant for variant in variants(layouts) if variant not in wanted)

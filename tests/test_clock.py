"""The clock of results: the start is when the work started, in every kind of result, and not when it ended."""

import time
from collections.abc import Callable
from pathlib import Path

import pytest
from builders import WideLabel, image_of, write_image

import imgkit
from imgkit.core import clock
from imgkit.core.clock import Clock
from imgkit.core.findings import Result
from imgkit.medium import Medium

Work = Callable[[], Result]


def of_verify(image: Path) -> Work:
    seal = image.with_suffix(".seal")
    seal.write_bytes(imgkit.seal(image).document)
    return lambda: imgkit.verify(image, seal)


def of_tally(image: Path) -> Work:
    """A sheet of which no range was answered, so that the image is read for the next one."""
    sheet, log = image.with_suffix(".json"), image.with_suffix(".log")
    made = imgkit.worksheet(image, ranges=4)
    sheet.write_bytes(made.document)
    log.write_text(f"{made.sheet.tag} 1 1 0 1\n")
    return lambda: imgkit.tally(sheet, log).tally


WORKS: dict[str, Callable[[Path], Work]] = {
    "inspect": lambda image: lambda: imgkit.inspect(image),
    "label check": lambda image: lambda: imgkit.label_check(image),
    "compare": lambda image: lambda: imgkit.compare(image, write_image(image.with_suffix(".copy"), bytes(81_920))),
    "vote": lambda image: lambda: imgkit.vote([image, write_image(image.with_suffix(".copy"), bytes(81_920))]),
    "seal": lambda image: lambda: imgkit.seal(image).report,
    "verify": of_verify,
    "worksheet": lambda image: lambda: imgkit.worksheet(image).report,
    "tally": of_tally,
    "preflight": lambda image: lambda: imgkit.preflight(image),
}


@pytest.mark.parametrize("prepare", WORKS.values(), ids=WORKS.keys())
def test_the_start_is_before_the_first_byte_is_read(
    prepare: Callable[[Path], Work], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The clock shows how often a medium was read so far; the seconds come from one that goes a second at a look."""
    work = prepare(write_image(tmp_path / "image", image_of(WideLabel())))
    reads, looks = [0], iter(range(1, 1000))
    read_into = Medium.read_into

    def counted(medium: Medium, offset: int, buffer: memoryview) -> int:
        reads[0] += 1
        return read_into(medium, offset, buffer)

    monkeypatch.setattr(Medium, "read_into", counted)
    monkeypatch.setattr(clock, "now", lambda: f"after {reads[0]} reads")
    monkeypatch.setattr(clock, "time", type("Ticks", (), {"monotonic": lambda: float(next(looks))}))
    result = work()
    assert reads[0] > 0, "the work reads a medium"
    assert result.started_at == "after 0 reads"
    assert result.elapsed_seconds >= 1


def test_a_clock_goes_on_where_it_was() -> None:
    """The start is kept, and the seconds are added to those before."""
    before = time.monotonic()
    again = Clock("2031-05-06T07:08:09+00:00", 3600.5)
    elapsed = again.elapsed_seconds
    assert again.started_at == "2031-05-06T07:08:09+00:00"
    assert 3600.5 <= elapsed <= 3600.501 + time.monotonic() - before


def test_now_is_the_moment_in_utc() -> None:
    """Against the system's own idea of it, which `time.gmtime` gives."""
    before, said, after = time.time() // 1, clock.now(), time.time()
    wanted = {time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime(moment)) for moment in (before, after)}
    assert said in wanted

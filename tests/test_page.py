"""The page of a comparison: what it says, how it is built, and that no text of a medium or a path can act in it."""

import base64
import hashlib
import re
import shutil
import subprocess
from itertools import pairwise
from pathlib import Path
from typing import Any

import msgspec
import pytest
from builders import (
    DyingMedium,
    WideLabel,
    changed_at,
    drive_of,
    image_of,
    write_image,
)
from page_builders import (
    BLOCK_SIZE,
    Element,
    a_comparison,
    a_faulty_comparison,
    a_finding,
    a_label,
    a_medium,
    a_partition,
    a_partition_count,
    a_range,
    a_sample,
    an_episode,
    left_out,
    page_of,
    read_page,
)

from imgkit import compare
from imgkit.comparison.result import Comparison, LabelDifference, LabelPair
from imgkit.core.spans import Range, Span
from imgkit.label.result import Checksum
from imgkit.report.page import render_page
from imgkit.report.page.document import MAXIMUM_PAGE_BYTES, css_string
from imgkit.report.records import record_of
from imgkit.report.words import visible

HOSTILE = "\"'><script>window.ran = 1</script><img src=x onerror=ran()>\x1b[31m\x07\n{{ 7*7 }}\u202egnp.\\"
HOSTILE_CONTROLS = ("\x1b", "\x07", "\u202e")


def html_of(result: Comparison) -> str:
    return render_page(record_of(result))


def section(page: Element, identifier: str) -> Element:
    """The section with a heading of that identifier."""
    return next(each for each in page.all("section") if each.attributes.get("aria-labelledby") == identifier)


def answers(page: Element) -> list[tuple[str, str]]:
    """The symbol and the word of both answers."""
    words = [answer.one("p", class_="word") for answer in page.all("div", class_="answer")]
    return [(word.one("span").text(), word.text().split(" ", 1)[1]) for word in words]


def counts(page: Element) -> dict[str, int]:
    """The counts below the answers, by name."""
    return {
        pair.one("dt").text().lstrip("=≠−+?○ "): int(pair.one("dd").one("data").attributes["value"])
        for pair in page.one("dl", class_="counts").all("div")
    }


class TestVerdict:
    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            pytest.param({}, [("✓", "EXACT"), ("✓", "NO OBJECTION")], id="nothing wrong"),
            pytest.param(
                {"verdict": "fail", "differing_blocks": 1, "equal_blocks": 159, "differing_bytes": 2},
                [("✗", "DIFFERS"), ("✓", "NO OBJECTION")],
                id="a block differs, the labels are sound",
            ),
            pytest.param(
                {"verdict": "fail", "findings": (a_finding("stop"),)},
                [("✓", "EXACT"), ("✗", "STOP")],
                id="exact, but the label says stop",
            ),
            pytest.param({"findings": (a_finding("check"),)}, [("✓", "EXACT"), ("!", "CHECK")], id="to check"),
            pytest.param(
                {"labels": LabelPair((), ()), "partitions": ()}, [("✓", "EXACT"), ("!", "NO LABEL")], id="no label"
            ),
            pytest.param(
                {"verdict": "incomplete", "unreadable_blocks": 1, "compared_blocks": 159, "equal_blocks": 159},
                [("○", "INCOMPLETE"), ("✓", "NO OBJECTION")],
                id="unreadable",
            ),
            pytest.param(
                {"not_compared": (left_out(0, 8, "skipped"),), "compared_blocks": 152, "equal_blocks": 152},
                [("!", "EXACT IN PART"), ("✓", "NO OBJECTION")],
                id="skipped",
            ),
            pytest.param(
                {"verdict": "fail", "findings": (a_finding("stop", id="medium.changed"),)},
                [("○", "NOT KNOWN"), ("✓", "NO OBJECTION")],
                id="changed while it was read",
            ),
            pytest.param(
                {"findings": (a_finding("check", id="pattern.one-head"),)},
                [("✓", "EXACT"), ("✓", "NO OBJECTION")],
                id="a pattern of faults is not the labels'",
            ),
        ],
    )
    def test_two_answers_in_words_and_symbols(self, changes: dict[str, Any], expected: list[tuple[str, str]]) -> None:
        assert answers(page_of(a_comparison(**changes))) == expected

    @pytest.mark.parametrize(
        ("verdict", "shown"),
        [
            ("pass", "Verdict: pass (exit status 0)"),
            ("fail", "Verdict: fail (exit status 1)"),
            ("incomplete", "Verdict: incomplete (exit status 2)"),
        ],
    )
    def test_verdict_with_its_exit_status(self, verdict: str, shown: str) -> None:
        assert page_of(a_comparison(verdict=verdict)).one("p", class_="overall").text() == shown

    @pytest.mark.parametrize(
        "changes",
        [
            pytest.param({}, id="whole"),
            pytest.param({"ranges": [Span(0, 10)]}, id="range"),
            pytest.param({"skip": [Span(4, 4)]}, id="skip"),
            pytest.param({"partitions": ["b"]}, id="partition"),
            pytest.param({"block_size": 100}, id="odd block size"),
            pytest.param({"digests": ("sha256",)}, id="digests"),
        ],
    )
    @pytest.mark.parametrize("copy_bytes", [60_000, 81_920, 90_001], ids=["shorter", "same length", "longer"])
    def test_every_block_is_in_one_count(self, tmp_path: Path, changes: dict[str, Any], copy_bytes: int) -> None:
        reference = image_of(WideLabel())
        copy = (changed_at(reference, [3000, 3001, 45_000]) + bytes(20_000))[:copy_bytes]
        result = compare(
            write_image(tmp_path / "reference.img", reference),
            write_image(tmp_path / "copy.img", copy),
            **changes,
        )
        told = counts(page_of(result))
        total = told.pop("blocks in all")
        assert total == max(-(-81_920 // result.block_size), -(-copy_bytes // result.block_size))
        assert sum(told.values()) == total


class TestRanges:
    def test_rows_say_what_and_where(self) -> None:
        rows = page_of(a_faulty_comparison()).one("table", id="ranges-table").rows()
        assert rows == [
            ["Blocks", "State", "Differing bytes", "Partition", "Cylinder/head/sector"],
            ["5+3", "differ", "3", "a", "0/0/5 – 0/0/7"],
            ["90+2", "unreadable", "–", "b", "5/1/2 – 5/1/3"],
            ["150+10", "missing", "–", "b", "9/0/6 – 9/1/7"],
        ]

    @pytest.mark.parametrize(
        ("partitions", "shown"),
        [
            pytest.param(("a", "c"), "a", id="a more specific one is there"),
            pytest.param(("c",), "c", id="only the whole disk"),
            pytest.param(("a", "b", "c"), "a, b", id="two"),
            pytest.param((), "–", id="none"),
        ],
    )
    def test_whole_disk_partitions_give_way(self, partitions: tuple[str, ...], shown: str) -> None:
        result = a_faulty_comparison(ranges=(a_range(5, partitions=partitions),), ranges_total=1)
        assert page_of(result).one("table", id="ranges-table").rows()[1][3] == shown

    def test_says_so_when_there_are_no_addresses(self) -> None:
        result = a_faulty_comparison(address_source=None, ranges=(a_range(5, chs=None),), ranges_total=1)
        page = page_of(result)
        assert page.one("table", id="ranges-table").rows()[1][4:] == ["–"]
        assert "No addresses: there is no drive file, and no label" in section(page, "ranges").text()

    def test_filter_offers_the_states_and_partitions_that_there_are(self) -> None:
        page = page_of(a_faulty_comparison())
        offered = [[option.text() for option in each.all("option")] for each in page.all("select")]
        assert offered == [
            ["all", "differ", "unreadable", "missing"],
            ["all", "a", "b"],
        ]

    @pytest.mark.parametrize(
        ("listed", "total", "told"),
        [
            pytest.param(2500, 2500, "The first 2,000 of 2,500 ranges are shown; --json holds them all.", id="drawn"),
            pytest.param(
                3000,
                70_000,
                "The first 2,000 of 70,000 ranges are shown; --json holds the first 3,000; --max-ranges asks for more.",
                id="drawn and listed",
            ),
            pytest.param(
                0, 7, "The first 0 of 7 ranges are shown; --json holds the first 0; --max-ranges", id="none listed"
            ),
        ],
    )
    def test_cut_lists_are_told_with_exact_totals(self, listed: int, total: int, told: str) -> None:
        result = a_faulty_comparison(
            ranges=tuple(a_range(2 * number, chs=None) for number in range(listed)), ranges_total=total
        )
        assert told in section(page_of(result), "ranges").text()


class TestPartitions:
    def test_every_block_of_a_partition_is_accounted_for(self) -> None:
        """Worked out by hand from the builder's comparison: 160 blocks, the copy ends at 150, 100+8 skipped."""
        rows = section(page_of(a_faulty_comparison()), "partitions").one("table").rows()
        assert rows == [
            ["Partition", "Blocks", "Equal", "Differ", "Missing", "Unreadable", "Not compared", "Type"],
            ["a", "0+80", "77", "3", "0", "0", "0", "fast file system"],
            ["b", "80+80", "60", "0", "10", "2", "8", "fast file system"],
            ["c", "0+160", "137", "3", "10", "2", "8", "fast file system (whole disk)"],
        ]

    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            pytest.param({}, {}, id="equal"),
            pytest.param({"not_compared": (left_out(0, 8, "not asked for"),)}, {"Not compared": "8"}, id="in part"),
            pytest.param(
                {"not_compared": (left_out(0, 160, "interrupted"),)}, {"Not compared": "80"}, id="not compared"
            ),
            pytest.param(
                {"partitions": (a_partition_count("a", 100, 80),)}, {"Past both ends": "20"}, id="past the end"
            ),
            pytest.param(
                {"reference": a_medium(blocks=40), "copy": a_medium(blocks=160), "extra_blocks": 120},
                {"Extra": "40"},
                id="extra",
            ),
        ],
    )
    def test_columns_are_there_for_what_there_is(self, changes: dict[str, Any], expected: dict[str, str]) -> None:
        """Of partition a: beside equal and differing blocks only what is not 0 in all partitions."""
        headings, first, *_ = section(page_of(a_comparison(**changes)), "partitions").one("table").rows()
        assert dict(zip(headings[4:-1], first[4:-1], strict=True)) == expected


class TestSamples:
    def test_hexadecimal_is_that_of_the_media(self, tmp_path: Path) -> None:
        """Source: POSIX `od` for the bytes of both files, POSIX `cmp -l` for the places that differ."""
        reference = image_of(WideLabel())
        places = [40_000, 40_003, 40_004]
        first = write_image(tmp_path / "reference.img", reference)
        second = write_image(tmp_path / "copy.img", changed_at(reference, places, 0x81))
        (sample,) = page_of(compare(first, second)).all("table", class_="sample")
        start = int(sample.rows()[1][0], 16)
        length = 8 * (len(sample.rows()) - 1)
        for path, column in ((first, 1), (second, 3)):
            dumped = subprocess.run(
                ["od", "-An", "-v", "-t", "x1", "-j", str(start), "-N", str(length), str(path)],
                capture_output=True, check=True, text=True,
            )  # fmt: skip
            assert " ".join(row[column] for row in sample.rows()[1:]) == " ".join(dumped.stdout.split())
        told = subprocess.run(["cmp", "-l", str(first), str(second)], capture_output=True, check=False, text=True)
        differing = [line.split() for line in told.stdout.splitlines()]
        marked = " ".join(mark.text() for cell in sample.all("td", class_="hex") for mark in cell.all("mark")).split()
        assert [int(place) - 1 for place, _, _ in differing] == places
        reference_bytes, copy_bytes = ([f"{int(line[side], 8):02x}" for line in differing] for side in (1, 2))
        assert sorted(marked) == sorted(reference_bytes + copy_bytes)
        assert "byte 64 of block 78 (byte 40,000 of the medium); 3 of 32 differ" in sample.one("caption").text()

    def test_printable_ascii_stands_beside(self) -> None:
        result = a_faulty_comparison(ranges=(a_range(5, sample=a_sample(2560, "4120ff00", "4121ff7f")),))
        (row,) = page_of(result).one("table", id="sample-1").all("tr")[1:]
        assert [cell.raw_text() for cell in row.all("td")] == ["41 20 ff 00", "A ··", "41 21 ff 7f", "A!··"]

    def test_a_side_that_ends_is_told(self) -> None:
        result = a_faulty_comparison(ranges=(a_range(5, sample=a_sample(2560, "414243", "41")),))
        table = page_of(result).one("table", id="sample-1")
        assert table.rows()[1][1:] == ["41 42 43", "ABC", "41 -- --", "A"]
        assert [mark.text() for mark in table.all("mark")] == ["42 43", "BC", "-- --", ""]
        assert table.one("caption").text().endswith("2 of 3 differ; the copy ends here")

    def test_a_hundred_are_drawn_and_the_total_is_told(self) -> None:
        ranges = tuple(a_range(2 * number, chs=None, sample=a_sample()) for number in range(130))
        page = page_of(a_faulty_comparison(ranges=ranges, ranges_total=130))
        assert len(page.all("table", class_="sample")) == 100
        assert "The first 100 of 130 samples are shown; --json holds them all." in section(page, "samples").text()


class TestLabels:
    def test_what_differs_is_marked_on_both_sides_and_in_words(self) -> None:
        changed = a_label(
            type_name="harbour 170",
            checksum=Checksum(0x1235, 0x1235, True),
            partitions=(a_partition("a", 0, 80), a_partition("b", 80, 88)),
        )
        page = page_of(a_comparison(labels=LabelPair((a_label(),), (changed,))))
        rows = page.one("table", class_="label").all("tr", class_="differs")
        assert [
            (row.one("th").text(), [mark.text() for mark in row.all("mark")], row.all("td")[-1].text()) for row in rows
        ] == [
            ("type name", ["harbour 160", "harbour 170"], "differs"),
            ("checksum, stored", ["0x1234", "0x1235"], "differs"),
            ("checksum, of the contents", ["0x1234, right", "0x1235, right"], "differs"),
            ("b", ["80+80", "80+88"], "differs"),
            (
                "c",
                [
                    "0+160 (whole disk)",
                    "fast file system, code 7",
                    "fragment size 1024",
                    "fragments per block 8",
                    "(not there)",
                ],
                "differs",
            ),
        ]

    def test_same_labels_have_no_marks(self) -> None:
        page = section(page_of(a_comparison()), "labels")
        assert page.one("table", class_="label").all("mark") == []
        assert "Reference and copy have the same labels" in page.text()

    def test_differing_fields_of_the_result_are_listed_first(self) -> None:
        differences = (
            LabelDifference(1, 0, "checksum", 0x46, 0x1235),
            LabelDifference(1, 0, "partition b: count", 80, 88),
            LabelDifference(0, 64, "label", "classic-wide-little", None),
        )
        rows = page_of(a_comparison(label_differences=differences)).all("table")[-2].rows()
        assert rows[1:] == [
            ["checksum", "0x0046", "0x1235", "block 1"],
            ["partition b: count", "80", "88", "block 1"],
            ["label", "classic-wide-little", "(not there)", "block 0, offset 64"],
        ]

    def test_a_label_on_one_side_only(self) -> None:
        page = page_of(a_comparison(labels=LabelPair((a_label(),), ())))
        assert page.one("table", class_="label").one("caption").text().endswith("the copy has none here")
        assert "The copy has no label." in page.all("div", class_="answer")[1].text()

    def test_no_label_on_either(self) -> None:
        page = page_of(a_comparison(labels=LabelPair((), ()), partitions=(), address_source=None))
        assert "Neither medium has a label that imgkit knows" in section(page, "labels").text()
        assert "No partitions are known" in section(page, "partitions").text()

    def test_labels_that_share_a_place_are_all_shown(self) -> None:
        both = (a_label(), a_label(layout="classic-wide-big", byte_order="big"))
        assert len(page_of(a_comparison(labels=LabelPair(both, both))).all("table", class_="label")) == 2

    def test_a_label_inside_an_outer_partition_says_so(self) -> None:
        inner = a_label(outer=0, outer_partition="1", origin_block=63, bytes_exchanged=True)
        rows = page_of(a_comparison(labels=LabelPair((inner,), (inner,)))).one("table", class_="label").rows()
        assert ["lies inside", "partition 1", "partition 1", "same"] in rows
        assert ["partitions counted from block", "63", "63", "same"] in rows
        assert [
            "order of the bytes",
            "bytes of each 16-bit word swapped",
            "bytes of each 16-bit word swapped",
            "same",
        ] in rows


class TestRecord:
    def test_findings_with_place_and_advice(self) -> None:
        (shown,) = section(page_of(a_comparison(findings=(a_finding("stop"),))), "findings").all("li")
        assert shown.text() == (
            "✗ stop partition.past-end copy, partition b, block 80 partition b ends after the medium does "
            "Make it smaller."
        )

    def test_no_digests_and_how_to_ask(self) -> None:
        told = section(page_of(a_comparison()), "digests").text()
        assert "No digests were taken. --digest sha256 asks for them" in told

    @pytest.mark.parametrize(
        ("copy", "outcome", "shown"),
        [
            pytest.param({"sha256": "ab12"}, "same", "ab12", id="same"),
            pytest.param({"sha256": "cd34"}, "not the same", "cd34", id="not the same"),
            pytest.param({}, "one side only", "not taken: the medium could not be read whole", id="unreadable"),
        ],
    )
    def test_digests(self, copy: dict[str, str], outcome: str, shown: str) -> None:
        result = a_comparison(reference=a_medium(digests={"sha256": "ab12"}), copy=a_medium(digests=copy))
        rows = section(page_of(result), "digests").one("table").rows()
        assert rows[1:] == [["sha256", "reference", outcome, "ab12"], ["sha256", "copy", outcome, shown]]

    def test_nothing_left_out_is_said_plainly(self) -> None:
        told = section(page_of(a_comparison()), "left-out").text()
        assert "Nothing was left out: every block of both media was requested." in told
        assert "No block gave a read error." in told

    def test_what_was_left_out_and_why(self) -> None:
        runs = (left_out(0, 8, "not asked for"), left_out(20, 4, "skipped"), left_out(90, 70, "interrupted"))
        page = section(page_of(a_comparison(verdict="incomplete", interrupted=True, not_compared=runs)), "left-out")
        assert "82 of 160 blocks were not compared." in page.text()
        assert page.one("table").rows()[1:] == [
            ["0+8", "not asked for"],
            ["20+4", "skipped as asked"],
            ["90+70", "not reached: the comparison was stopped"],
        ]

    def test_unreadable_blocks_are_named(self) -> None:
        told = section(page_of(a_faulty_comparison()), "left-out").text()
        assert "2 blocks could not be read: 90+2. Whether they are equal is not known." in told

    @pytest.mark.parametrize(
        ("source", "told"),
        [
            ("call", "512 bytes, as asked for"),
            ("label", "512 bytes, from the label"),
            ("assumed", "512 bytes, assumed: no label says"),
        ],
    )
    def test_block_size_and_its_source(self, source: str, told: str) -> None:
        assert told in section(page_of(a_comparison(block_size_source=source)), "call").text()

    def test_version_time_and_drive(self) -> None:
        told = section(page_of(a_comparison(address_source="drive", drive=drive_of())), "call").text()
        assert "imgkit 0.1.0, result imgkit.compare/2" in told
        assert "1994-03-02T06:15:00+00:00" in told
        assert "Took250 ms" in told
        assert "Harbour 160: 10 cylinders × 2 heads × 8 sectors of 512 bytes" in told

    def test_the_call_can_be_pasted_into_a_shell(self) -> None:
        """Source: the shell of POSIX reads the call back into the same arguments."""
        call = ("printf", "%s\\n", "two words", "it's", '"quoted" $HOME `x` *', "<tag>&amp;")
        shown = section(page_of(a_comparison(call=call)), "call").one("ul", class_="commands").raw_text().strip()
        told = subprocess.run(["sh", "-c", shown], capture_output=True, check=True, text=True)
        assert told.stdout.splitlines() == list(call[2:])

    def test_episodes_are_kept_apart_from_facts(self) -> None:
        page = page_of(a_faulty_comparison(episodes=(an_episode(),)))
        episodes = section(page, "episodes")
        assert "explanations, not facts" in episodes.text()
        assert [each.text() for each in episodes.all("li")] == [
            "97 % high-bit-stripped 96+4 bit 7 is clear in all 2,048 bytes detailsbit: 7 Set the line to eight bits."
        ]
        assert "high-bit-stripped" not in section(page, "ranges").text() + section(page, "findings").text()

    def test_an_episode_of_several_ranges_names_them(self) -> None:
        episode = an_episode(blocks=11, ranges=tuple(Range(number, 1) for number in range(10, 41, 3)))
        shown = section(page_of(a_faulty_comparison(episodes=(episode,))), "episodes")
        assert shown.one("span", class_="place").text() == "11 blocks between 10 and 40"
        assert shown.all("dd")[0].text() == "10+1, 13+1, 16+1, 19+1, 22+1, 25+1, 28+1, 31+1 and 3 more"

    def test_no_episodes_no_section(self) -> None:
        assert page_of(a_faulty_comparison()).all("h2", id="episodes") == []

    def test_the_same_page_from_the_json(self) -> None:
        result = a_faulty_comparison(episodes=(an_episode(),))
        again = msgspec.json.decode(msgspec.json.encode(result), type=Comparison)
        assert html_of(again) == html_of(result)


RESULTS = [
    pytest.param(a_comparison(), id="nothing wrong"),
    pytest.param(a_faulty_comparison(episodes=(an_episode(),)), id="faulty"),
    pytest.param(a_comparison(labels=LabelPair((), ()), partitions=(), address_source=None, call=()), id="bare"),
]


class TestDocument:
    @pytest.mark.parametrize("result", RESULTS)
    def test_tables_have_captions_and_headings_their_scope(self, result: Comparison) -> None:
        page = page_of(result)
        for table in page.all("table"):
            assert table.one("caption").text()
            assert all(heading.attributes["scope"] in ("col", "row", "rowgroup") for heading in table.all("th"))

    @pytest.mark.parametrize("result", RESULTS)
    def test_headings_skip_no_level(self, result: Comparison) -> None:
        levels = [int(each.tag[1]) for each in page_of(result).all("*") if re.fullmatch("h[1-6]", each.tag)]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(following <= level + 1 for level, following in pairwise(levels))

    @pytest.mark.parametrize("result", RESULTS)
    def test_identifiers_are_unique_and_what_points_to_them_finds_them(self, result: Comparison) -> None:
        elements = page_of(result).all("*")
        identifiers = [each.attributes["id"] for each in elements if "id" in each.attributes]
        pointed_to = [each.attributes["href"].removeprefix("#") for each in elements if "href" in each.attributes]
        pointed_to += [each.attributes[name] for name in ("for", "aria-labelledby") for each in elements
                       if name in each.attributes]  # fmt: skip
        assert len(identifiers) == len(set(identifiers))
        assert {name for names in pointed_to for name in names.split()} <= set(identifiers)

    @pytest.mark.parametrize("result", RESULTS)
    def test_nothing_is_loaded_and_nothing_missing_is_printed(self, result: Comparison) -> None:
        page = page_of(result)
        for element in page.all("*"):
            assert element.tag not in ("img", "link", "iframe", "object", "embed", "form", "base")
            assert not {"src", "srcset", "style", "action"} & element.attributes.keys()
            assert not any(name.startswith("on") for name in element.attributes)
            assert element.attributes.get("href", "#").startswith("#")
        assert "None" not in page.one("body").text()
        assert not re.search(r"url\((?!#)|@import|http", "".join(each.raw_text() for each in page.all("style")))

    def test_policy_names_the_hash_of_each_style_and_script(self) -> None:
        """Source: Content Security Policy Level 3, 2.3.1: base64 of the SHA-256 of the element's text."""
        page = page_of(a_faulty_comparison())
        policy = next(
            meta.attributes["content"]
            for meta in page.all("meta")
            if meta.attributes.get("http-equiv") == "Content-Security-Policy"
        )
        directives = dict(part.strip().split(" ", 1) for part in policy.split(";"))
        assert directives.pop("default-src") == "'none'"
        assert directives.pop("base-uri") == "'none'"
        assert directives.pop("form-action") == "'none'"
        for tag, directive in (("style", "style-src"), ("script", "script-src")):
            hashes = [
                base64.b64encode(hashlib.sha256(each.raw_text().encode()).digest()).decode() for each in page.all(tag)
            ]
            assert directives.pop(directive).split() == [f"'sha256-{each}'" for each in hashes]
        assert directives == {}

    def test_stays_under_three_megabytes(self) -> None:
        names = tuple("abcdefghijklmnopqrstuv")
        ranges = tuple(
            a_range(2 * number, partitions=names, sample=a_sample(1024 * number, "3c" * 32, "26" * 32))
            for number in range(10_000)
        )
        result = a_faulty_comparison(
            ranges=ranges,
            ranges_total=5_000_000,
            findings=(a_finding(message="<" * 2000),) * 5000,
            not_compared=tuple(left_out(3 * number, 1, "skipped") for number in range(5000)),
            label_differences=tuple(LabelDifference(1, 0, "type_name", '"' * 5000, "&" * 5000) for _ in range(900)),
            call=('"' * 100_000,) * 20,
        )
        page = html_of(result)
        assert len(page.encode()) < MAXIMUM_PAGE_BYTES == 3_000_000
        told = read_page(page).text()
        assert "of 5,000,000 ranges are shown" in told
        assert "of 5,000 findings are shown" in told

    def test_a_real_limit_of_ranges_is_drawn_whole(self) -> None:
        ranges = tuple(a_range(2 * number, partitions=("a", "c"), sample=a_sample()) for number in range(10_000))
        page = html_of(a_faulty_comparison(ranges=ranges, ranges_total=10_000))
        assert len(page.encode()) < MAXIMUM_PAGE_BYTES
        assert len(read_page(page).one("table", id="ranges-table").rows()) == 2001


class TestHostileText:
    def hostile(self) -> Comparison:
        label = a_label(
            type_name=HOSTILE,
            pack_name=HOSTILE,
            fields={HOSTILE: HOSTILE},
            partitions=(a_partition(HOSTILE, 0, 80, type=HOSTILE, details={HOSTILE: HOSTILE}),),
        )
        return a_faulty_comparison(
            reference=a_medium(path="/media/" + HOSTILE, digests={HOSTILE: HOSTILE}),
            copy=a_medium(path="/media/x" + HOSTILE),
            call=("imgkit", HOSTILE),
            findings=(a_finding("stop", message=HOSTILE, advice=HOSTILE, id=HOSTILE),),
            labels=LabelPair((label,), (a_label(),)),
            label_differences=(LabelDifference(1, 0, HOSTILE, HOSTILE, HOSTILE),),
            partitions=(a_partition_count(HOSTILE, 0, 80, type=HOSTILE),),
            ranges=(a_range(5, partitions=(HOSTILE,), sample=a_sample()),),
            episodes=(an_episode(kind=HOSTILE, evidence=HOSTILE, advice=HOSTILE, details={HOSTILE: HOSTILE}),),
            drive=drive_of(name=HOSTILE),
            started_at=HOSTILE,
        )

    def test_it_makes_no_element_and_leaves_no_attribute(self) -> None:
        page = page_of(self.hostile())
        assert len(page.all("script")) == 1
        assert page.all("img") == []
        assert all(not any(name.startswith("on") for name in each.attributes) for each in page.all("*"))

    def test_control_characters_are_spelt_out(self) -> None:
        page = html_of(self.hostile())
        assert not any(character in page for character in HOSTILE_CONTROLS)
        shown = section(read_page(page), "call").text()
        assert "<img src=x onerror=ran()>\\x1b[31m\\x07\\x0a{{ 7*7 }}\\u202egnp.\\" in shown

    def test_it_stays_inside_the_strings_of_the_style(self) -> None:
        """Source: CSS Syntax Module Level 3: no quote, backslash, brace or line end of the text is left as it is."""
        heads = page_of(self.hostile()).all("style")[-1].raw_text()
        assert re.fullmatch(
            r'@page \{ @top-left \{ content: "(?:[\w .,:/-]|\\[0-9a-f]{6})*"; \} '
            r'@top-right \{ content: "(?:[\w .,:/-]|\\[0-9a-f]{6})*"; \} \}',
            heads,
        )

    @pytest.mark.parametrize(
        ("text", "shown"),
        [
            pytest.param("plain, Größe ≠ 木", "plain, Größe ≠ 木", id="text"),
            pytest.param("a\tb\nc", "a\\x09b\\x0ac", id="tab and line end"),
            pytest.param("\x1b[2J\x7f\x9b", "\\x1b[2J\\x7f\\x9b", id="terminal control"),
            pytest.param("evil\u202etxt.exe", "evil\\u202etxt.exe", id="turned direction"),
            pytest.param("\u2028\u200b\ufeff", "\\u2028\\u200b\\ufeff", id="unseen"),
            pytest.param("caf\udce9", "caf\\xe9", id="byte that is no text"),
            pytest.param("\ud800", "\\ud800", id="half a pair"),
            pytest.param("\U000e0041", "\\U000e0041", id="tag"),
        ],
    )
    def test_visible(self, text: str, shown: str) -> None:
        assert visible(text) == shown

    def test_css_string_escapes_all_but_the_plainest(self) -> None:
        assert css_string('a"}\\é') == '"a\\000022\\00007d\\00005c\\0000e9"'

    def test_a_path_that_is_no_text(self) -> None:
        page = html_of(a_comparison(copy=a_medium(path="/media/caf\udce9.img")))
        assert "caf\\xe9.img" in page.encode("utf-8").decode("utf-8")


class TestRealRuns:
    def test_what_the_page_tells_is_what_was_done_to_the_copy(self, tmp_path: Path) -> None:
        reference = image_of(WideLabel())
        copy = changed_at(reference, [20 * BLOCK_SIZE + 7, 21 * BLOCK_SIZE, 100 * BLOCK_SIZE])[: 150 * BLOCK_SIZE]
        result = compare(
            write_image(tmp_path / "reference.img", reference),
            write_image(tmp_path / "copy.img", copy),
            digests=("sha256",),
        )
        page = page_of(result)
        assert [row[:5] for row in page.one("table", id="ranges-table").rows()[1:]] == [
            ["20+2", "differ", "2", "a", "1/0/4 – 1/0/5"],
            ["100+1", "differ", "1", "c", "6/0/4"],
            ["150+10", "missing", "–", "c", "9/0/6 – 9/1/7"],
        ]
        assert answers(page)[0] == ("✗", "DIFFERS")
        shown = section(page, "digests").text()
        assert hashlib.sha256(reference).hexdigest() in shown
        assert hashlib.sha256(copy).hexdigest() in shown

    def test_equal_media(self, tmp_path: Path) -> None:
        first = write_image(tmp_path / "reference.img", image_of(WideLabel()))
        second = shutil.copyfile(first, tmp_path / "copy.img")
        page = page_of(compare(first, second))
        assert answers(page)[0] == ("✓", "EXACT")
        assert "No compared block differs" in section(page, "ranges").text()

    def test_unreadable_blocks(self, tmp_path: Path) -> None:
        first = write_image(tmp_path / "reference.img", image_of(WideLabel()))
        second = write_image(tmp_path / "copy.img", image_of(WideLabel()))
        with DyingMedium(second, [40, 41]) as dying:
            page = page_of(compare(first, dying))
        assert answers(page)[0] == ("○", "INCOMPLETE")
        assert "2 blocks could not be read: 40+2" in section(page, "left-out").text()

    def test_no_label(self, tmp_path: Path) -> None:
        first = write_image(tmp_path / "reference.img", image_of())
        second = write_image(tmp_path / "copy.img", changed_at(image_of(), [30_000]))
        page = page_of(compare(first, second))
        assert answers(page) == [("✗", "DIFFERS"), ("!", "NO LABEL")]
        assert "512 bytes, assumed: no label says" in section(page, "call").text()

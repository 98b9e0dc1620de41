"""What is asked of tools that verify media, and which tests show it; that these tests are there is checked here.

The top-level requirements of the NIST disk imaging tool specification 3.1.6 (2001), as far as they concern a verifier;
and, marked *, what its test plan asks for, from memory.
"""

import ast
from pathlib import Path
from typing import NamedTuple

import pytest

TESTS = Path(__file__).parent


class Requirement(NamedTuple):
    """What is asked, what that means for imgkit, and the tests that show it, each as `file::function`."""

    asked: str
    meaning: str
    shown_by: tuple[str, ...]


REQUIREMENTS = (
    Requirement(
        "the copy is bit for bit",
        "every difference is found, and nothing else",
        (
            "test_compare::test_ranges_and_counts_are_those_of_cmp",
            "test_compare::test_any_small_pair_is_told_exactly",
            "test_compare_hard::test_any_mixture_of_faults_is_told_exactly",
        ),
    ),
    Requirement(
        "the copy is bit for bit",
        "what lies on the medium is compared, not the memory of it",
        ("test_hard_media::test_a_verification_reads_the_medium_and_not_the_memory_of_it",),
    ),
    Requirement(
        "the copy is bit for bit",
        "the best dump of several is the truth where one can tell",
        ("test_vote::test_disjoint_faults_of_three_dumps_give_the_truth",),
    ),
    Requirement(
        "the original is not altered",
        "inputs are opened for reading and no output goes over one",
        (
            "test_medium::test_an_input_is_not_touched",
            "test_vote::test_the_library_writes_no_input",
            "test_cli::test_a_block_device_is_never_an_output",
            "test_journal::test_a_journal_over_an_input_is_refused",
        ),
    ),
    Requirement(
        "the original is not altered",
        "reading needs no right to write",
        ("test_hard_media::test_reading_a_device_needs_no_right_but_to_read",),
    ),
    Requirement(
        "errors of input and output are reported",
        "a read error never ends in equal",
        (
            "test_faulty_file::test_compare_tells_exactly_the_sectors_that_cannot_be_read",
            "test_faulty_file::test_inspect_tells_what_it_could_not_read",
            "test_faulty_file::test_verify_tells_what_it_could_not_read",
        ),
    ),
    Requirement(
        "errors of input and output are reported",
        "a medium that ends early or changes is reported",
        (
            "test_hard_media::test_a_file_that_is_cut_while_it_is_read_is_told",
            "test_hard_media::test_a_device_that_shrinks_while_it_is_read_is_told",
        ),
    ),
    Requirement(
        "errors of input and output are reported",
        "an output that cannot be written is reported",
        ("test_cli::test_a_full_disk_is_one_line",),
    ),
    Requirement(
        "the documentation is correct",
        "commands, options and shown answers are those of the program",
        (
            "test_readme::test_the_table_of_commands_is_that_of_the_help",
            "test_readme::test_what_the_readme_shows_is_what_is_answered",
        ),
    ),
    Requirement(
        "* the place of each unreadable sector is reported",
        "exactly these blocks are unreadable, dead stretches too",
        (
            "test_hard_media::test_exactly_the_bad_sectors_of_a_device_are_unreadable",
            "test_hard_media::test_a_dead_stretch_costs_one_try_a_sector_and_comes_last",
        ),
    ),
    Requirement(
        "* what stands in for an unreadable sector is stated",
        "nothing does: it is not compared, there is no digest and no seal",
        (
            "test_compare_hard::test_only_the_side_that_was_read_whole_has_a_digest",
            "test_faulty_file::test_no_seal_is_made_of_what_cannot_be_read",
        ),
    ),
    Requirement(
        "* what stands in for an unreadable sector is stated",
        "in the best dump of a vote zeros do, and the list of doubts has the block",
        ("test_vote::test_read_errors_are_the_dumps_own",),
    ),
    Requirement(
        "* a larger or smaller target is reported",
        "missing and extra blocks, the block that is cut",
        (
            "test_compare::test_different_lengths_are_told",
            "test_vote::test_lengths_and_lists_past_the_end_are_told",
        ),
    ),
)


def functions(path: Path) -> set[str]:
    """The tests of a module, those in classes too."""
    return {node.name for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize("requirement", REQUIREMENTS, ids=lambda requirement: requirement.meaning)
def test_what_is_asked_is_shown_by_tests_that_are_there(requirement: Requirement) -> None:
    assert requirement.shown_by
    for name in requirement.shown_by:
        module, function = name.split("::")
        assert function.startswith("test_")
        assert function in functions(TESTS / f"{module}.py"), name

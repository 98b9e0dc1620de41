"""The table of findings and episode kinds: whole, and nothing decides by the wording of an id or a message."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

import imgkit
from imgkit import cli
from imgkit.core.meanings import meanings, subject_of
from imgkit.explanation.causes import CAUSES
from imgkit.report.schemas import json_schema, result_types

PACKAGE = Path(imgkit.__file__).parent
TREES = {path: ast.parse(path.read_text()) for path in sorted(PACKAGE.rglob("*.py"))}
SUBJECTS = sorted({identifier.partition(".")[0] for identifier in meanings().finding})
ID = re.compile(rf"(?:{'|'.join(SUBJECTS)})\.[a-z]+(?:-[a-z]+)*\Z")
_QUESTIONS = ("startswith", "endswith", "removeprefix", "removesuffix", "find", "index")
FILE_ENDINGS = ("py", "img", "toml", "json", "csv", "sh", "txt", "css", "js")


def constants(node: ast.AST) -> Iterator[str]:
    for each in ast.walk(node):
        if isinstance(each, ast.Constant) and isinstance(each.value, str):
            yield each.value


def is_id(text: str) -> bool:
    return ID.match(text) is not None and text.rpartition(".")[2] not in FILE_ENDINGS


NODES = [(path, node) for path, tree in TREES.items() for node in ast.walk(tree)]


def text_of(node: ast.expr) -> str:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


def raised() -> set[str]:
    """The ids that are handed to something or yielded: not those that are only compared with."""
    found: set[str] = set()
    for _, node in NODES:
        if isinstance(node, ast.Call):
            found |= {text_of(each) for each in node.args}
        elif isinstance(node, (ast.Yield, ast.Return)) and isinstance(node.value, ast.Tuple):
            found |= {text_of(each) for each in node.value.elts}
    return {each for each in found if is_id(each)}


def severities() -> set[tuple[str, str]]:
    """The severities that stand beside an id where a finding is made, as far as they stand there as constants."""
    return {
        (text_of(node.args[0]), severity)
        for _, node in NODES
        if isinstance(node, ast.Call) and len(node.args) > 1 and is_id(text_of(node.args[0]))
        for severity in constants(node.args[1])
        if severity in ("stop", "check", "note")
    }


def test_every_id_that_is_raised_is_in_the_table_and_every_one_in_it_is_raised() -> None:
    assert raised() == set(meanings().finding)


def test_no_id_is_only_compared_with() -> None:
    used = {text_of(node) for _, node in NODES if isinstance(node, ast.expr) and is_id(text_of(node))}
    assert used <= set(meanings().finding)


def test_a_finding_has_no_severity_beside_those_of_the_table() -> None:
    table = {(identifier, each) for identifier, row in meanings().finding.items() for each in row.severity}
    assert severities() - table == set()


def test_every_kind_of_episode_is_in_the_table_and_every_one_in_it_has_a_cause() -> None:
    assert {cause.kind for cause in CAUSES} == set(meanings().episode)


def test_every_sentence_of_the_table_is_one() -> None:
    sentences = [(row.means, row.do) for row in meanings().finding.values()]
    sentences += [(row.means, row.do) for row in meanings().episode.values()]
    assert [each for pair in sentences for each in pair if not each.endswith(".")] == []


def test_nothing_asks_how_an_id_or_a_message_is_written() -> None:
    """No `startswith`, `endswith`, `removeprefix` or `in` on the id, message, says or text of something."""
    asked = []
    for path, node in NODES:
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            about = node.func.value if node.func.attr in _QUESTIONS else None
        elif isinstance(node, ast.Compare) and isinstance(node.ops[0], (ast.In, ast.NotIn)):
            about = node.comparators[0]
        else:
            continue
        if isinstance(about, ast.Attribute) and about.attr in ("id", "message", "says", "advice"):
            asked.append(f"{path.name}:{node.lineno}")
    assert asked == []


def test_an_id_of_another_version_is_about_the_label() -> None:
    assert subject_of("later.version") == "label"


def test_explain_says_what_an_id_means(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["explain", "partition.in-reserved"]) == 0
    shown = capsys.readouterr().out
    assert "area that the drive keeps for itself" in shown
    assert "stop: do not boot or trust this" in shown


def test_explain_names_what_is_written_alike(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["explain", "partition.in-reservd"]) == 2
    assert "partition.in-reserved" in capsys.readouterr().err


@pytest.mark.parametrize("name", sorted(result_types()))
def test_a_schema_describes_what_a_result_holds(name: str) -> None:
    """Every result type has its name in the table, and the schema every field (JSON Schema, draft 2020-12: `$defs`)."""
    kind = result_types()[name]
    schema = json_schema(name)
    assert schema["$id"].rpartition("/")[0] == name
    properties = schema["$defs"][kind.__name__]["properties"]
    assert set(properties) == {field.encode_name for field in msgspec.structs.fields(kind)}


def test_every_result_has_a_schema() -> None:
    kinds = {each.__name__ for each in result_types().values()}
    assert kinds == {node.name for _, node in NODES if isinstance(node, ast.ClassDef) and _is_result(node)}


def _is_result(node: ast.ClassDef) -> bool:
    return any(isinstance(base, ast.Name) and base.id == "Result" for base in node.bases)


@pytest.mark.parametrize("call", [["explain"], ["explain", "--schema", "x"], ["explain", "a", "--schema", "compare"]])
def test_a_wrong_call_is_one_line(call: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(call) == 2
    assert capsys.readouterr().err.count("\n") == 1

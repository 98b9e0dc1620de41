"""The table of findings and episode kinds: whole, and nothing decides by the wording of an id or a message."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import imgkit
from imgkit.comparison.causes import reference_blank
from imgkit.comparison.episodes import CAUSES
from imgkit.meanings import meanings, subject_of

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
    kinds = {cause.kind for cause in CAUSES} | {reference_blank.KIND}
    for path in sorted((PACKAGE / "comparison" / "causes").glob("*.py")):
        kinds |= {
            node.value.value
            for node in TREES[path].body
            if isinstance(node, ast.Assign)
            and isinstance(node.targets[0], ast.Name)
            and node.targets[0].id == "KIND"
            and isinstance(node.value, ast.Constant)
            and isinstance(node.value.value, str)
        }
    assert kinds == set(meanings().episode)


def test_every_sentence_of_the_table_is_one() -> None:
    for each in (*meanings().finding.values(), *meanings().episode.values()):
        assert each.means.endswith(".")
        assert each.do.endswith(".")


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

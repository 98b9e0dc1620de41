"""The one writer of files: each is written whole or not at all, and never over an input, a disk or a foreign file.

A file gets its name only when it is whole and on the disk. What was checked before the work is checked again, on what
the name leads to at the moment in which it is given. A pipe or a terminal is written directly.

Who may write to the folder of an output can still put an input under its name between the last look and the renaming;
who can do that can remove the input as well. A file system on a volume manager or an array is not seen to lie on its
disks.
"""

import os
import re
import select
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from typing import Literal, NamedTuple, Self

from imgkit.core.errors import OutputError
from imgkit.files.sameness import Reach, place_of, reach_beneath, reach_of
from imgkit.files.targets import Name, Target, ends_at, status_in

Replace = Literal["same kind", "any"]

_MOST_TRIES = 8
_INPUT = "{}: is one of the inputs, which are never written: name another file"


class Kind(NamedTuple):
    """A kind of file that is written. `fits` says, from a file's first 64 KiB and its size, whether it is one."""

    name: str
    fits: Callable[[bytes, int], bool]


def starting_with(name: str, pattern: bytes) -> Kind:
    """A kind of file that is recognised by its start, a regular expression."""
    match = re.compile(pattern).match
    return Kind(name, lambda beginning, _: match(beginning) is not None)


def json_kind(schema: str) -> Kind:
    """JSON of this schema ("imgkit.verify/1"), in any version."""
    name = schema.partition("/")[0]
    return starting_with(f"JSON of {name}", rb'\s*\{\s*"schema":\s*"' + re.escape(name.encode()) + rb'/[0-9]{1,9}"')


PAGE = starting_with("a page of imgkit", rb"<!DOCTYPE html><!-- a page of imgkit -->")
COPY_AGAIN = starting_with("a copy-again script of imgkit", rb"(?:#![^\n]*\n)?# imgkit copy-again script")
BLOCK_LIST = starting_with("a list of blocks", rb"first,count\r?(?:\n|\Z)")
CHECK_LINE = starting_with("a line with a SHA-256", rb"\\?[0-9a-f]{64} [ *][^\n]+\n?\Z")
PLAN = starting_with("a plan made by imgkit", rb"# imgkit plan: ")
CHECK_SCRIPT = starting_with("a check.sh of imgkit", rb": worksheet q[a-z0-9]+, \d+ ranges, sum [a-z0-9-]+\n")
PAPER = starting_with("a worksheet of imgkit", rb"WORKSHEET q[a-z0-9]+  round \d+  sum [a-z0-9-]+\n=+\n")
NEW = Kind("a new file", lambda _beginning, _size: False)
"""What never replaces an existing file."""


class Outputs:
    """The files that one call writes: none of them is one of its inputs, and no two are the same.

    `inputs` are the paths of what is read. `replace`: which existing files may be replaced. Every error is an
    OutputError with the path as it was given.
    """

    def __init__(self, inputs: Iterable[Name | None] = (), replace: Replace = "same kind") -> None:
        self.replace = replace
        self._inputs: list[str] = []
        self._names: set[str] = set()
        self._reaches: list[Reach] = []
        self._checked: dict[tuple[int | str, ...], tuple[str, Kind]] = {}
        self.protect(inputs)

    def protect(self, inputs: Iterable[Name | None]) -> None:
        """Count these as inputs as well, and check again what was checked already."""
        for each in inputs:
            if each is not None:
                self._inputs.append(os.fspath(each))
                with suppress(OSError, ValueError):
                    self._names.add(os.path.realpath(each))
                    self._reaches.append(reach_of(os.fspath(each)))
        for path, kind in self._checked.values():
            self._look(path, kind).close()

    def check(self, path: Name | None, kind: Kind) -> None:
        """Refuse, before any work, an output that must not or cannot be written."""
        if path is None:
            return
        path = os.fspath(path)
        with closing(self._look(path, kind)) as found:
            other, of_kind = self._checked.setdefault(found.identity, (path, kind))
            is_device = found.status is not None and stat.S_ISCHR(found.status.st_mode)
            is_same = os.path.normpath(other) == os.path.normpath(path) and of_kind.name == kind.name
            if not is_same and not is_device:
                raise OutputError(f"{path}: two results cannot go into one file")
            if found.is_file and not os.access(found.folder, os.W_OK):
                raise OutputError(f"{path}: cannot be written: no permission in {found.folder}")

    def check_stream(self, descriptor: int, name: str) -> None:
        """Refuse an open stream ("standard output") that writes to an input or a block device."""
        try:
            status = os.fstat(descriptor)
        except OSError:
            return
        self._refuse_status(name, status, descriptor)

    def write(self, path: Name, data: bytes, kind: Kind) -> None:
        """Write a file, whole or not at all."""
        self.write_together([(path, data, kind)])

    def write_together(self, files: Iterable[tuple[Name, bytes, Kind]]) -> None:
        """Write files that are useful only together: none gets its name before all of them are whole."""
        with ExitStack() as stack:
            pending = []
            for path, data, kind in files:
                pending.append(stack.enter_context(self.pending(path, kind)))
                pending[-1].write(data)
            finish_together(pending)

    def pending(self, path: Name, kind: Kind) -> "Pending":
        """An output that is written piece by piece and gets its name when it is finished."""
        return Pending(self, path, kind)

    def _look(self, path: str, kind: Kind) -> Target:
        """What a path leads to now. Refuses what must not be written."""
        with output_errors(path):
            target = Target(*ends_at(path))
            try:
                self._refuse(path, target, kind)
            except BaseException:
                target.close()
                raise
            return target

    def _refuse(self, path: str, target: Target, kind: Kind) -> None:
        status = target.status
        if status is not None:
            self._refuse_status(path, status, target.descriptor)
        if not target.is_file:
            if kind is NEW:
                raise OutputError(f"{path}: is not a file: name a new file")
            return
        if os.path.join(target.folder, target.name) in self._names:
            raise OutputError(_INPUT.format(path))
        if status is None:
            self._refuse_ground(path, target.descriptor)
            return
        if kind is NEW:
            raise OutputError(f"{path}: exists already, and this is written only into a new file: name another")
        if self.replace == "same kind" and status.st_size and not kind.fits(target.beginning(), status.st_size):
            raise OutputError(
                f"{path}: exists and is not {kind.name}: name another file, or allow it to be replaced", hint="replace"
            )

    def _refuse_status(self, path: str, status: os.stat_result, descriptor: int) -> None:
        """Refuse all but files, pipes and character devices, and inputs; `descriptor` is its own or its folder's."""
        if stat.S_ISBLK(status.st_mode):
            raise OutputError(f"{path}: is a block device, which is never written: name a file")
        if stat.S_ISDIR(status.st_mode):
            raise OutputError(f"{path}: is a folder: name a file in it")
        if stat.S_ISREG(status.st_mode) or stat.S_ISFIFO(status.st_mode):
            place = Reach(place_of(path, status), None)
            if any(place.touches(each) for each in self._places_now()):
                raise OutputError(_INPUT.format(path))
        if stat.S_ISREG(status.st_mode):
            self._refuse_ground(path, descriptor)

    def _refuse_ground(self, path: str, descriptor: int) -> None:
        beneath = reach_beneath(descriptor)
        if any(beneath.touches(each) for each in self._places_now()):
            raise OutputError(f"{path}: lies on one of the inputs, which are never written: name a file elsewhere")

    def _places_now(self) -> Iterator[Reach]:
        """The places of the inputs at first, and of what has their names now."""
        yield from self._reaches
        for each in self._inputs:
            with suppress(OSError, ValueError):
                yield reach_of(each)


class Pending:
    """An output that is being written: `write` in order, or through `descriptor` at any place of a file.

    Leaving it without `finish` removes it. A pipe or a terminal gets the data at once.
    """

    def __init__(self, outputs: Outputs, path: Name, kind: Kind) -> None:
        self.path = os.fspath(path)
        self.is_finished = False
        self._outputs, self._kind = outputs, kind
        self._temporary = ""
        self.descriptor = -1
        self._target = outputs._look(self.path, kind)
        try:
            with output_errors(self.path):
                self.descriptor = self._begin()
        except BaseException:
            self.discard()
            raise

    def __del__(self) -> None:
        """Ctrl-C may come between the making and the `with`: nothing is left behind even then."""
        with suppress(AttributeError):
            self.discard()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.discard()

    def write(self, data: bytes | memoryview) -> None:
        """Write all of this, after what was written before."""
        rest = memoryview(data).cast("B")
        with output_errors(self.path):
            while len(rest):
                try:
                    rest = rest[os.write(self.descriptor, rest) :]
                except BlockingIOError:
                    waiting = select.poll()
                    waiting.register(self.descriptor, select.POLLOUT)
                    waiting.poll()

    def finish(self) -> None:
        """Wait until it is on the disk, and give it its name."""
        finish_together([self])

    def _settle(self) -> None:
        """Wait until it is on the disk."""
        with output_errors(self.path):
            if self._temporary:
                os.fsync(self.descriptor)

    def _give_name(self) -> None:
        with output_errors(self.path):
            if self._temporary:
                for _ in range(_MOST_TRIES):
                    if self._take_name():
                        break
                else:
                    raise OutputError(f"{self.path}: another program keeps creating and removing it")
                self._temporary = ""
        self.is_finished = True
        self.discard()

    def discard(self) -> None:
        """Remove it, unless it is finished."""
        if self._temporary:
            with suppress(OSError):
                os.unlink(self._temporary, dir_fd=self._target.folder_descriptor)
            self._temporary = ""
        if self.descriptor >= 0:
            with suppress(OSError):
                os.close(self.descriptor)
            self.descriptor = -1
        self._target.close()

    def _begin(self) -> int:
        target = self._target
        if not target.is_file:
            return target.open_stream(self.path)
        name = f".imgkit.{os.urandom(8).hex()}.part"
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        mode = 0o666 if target.status is None else 0o600
        self._temporary = name  # before it is there: Ctrl-C may come in between
        try:
            return os.open(name, flags, mode, dir_fd=target.folder_descriptor)
        except OSError:
            self._temporary = ""
            raise

    def _take_name(self) -> bool:
        """Give the file its name; False when another file took it at that moment."""
        target, folder = self._target, self._target.folder_descriptor
        target.status = status_in(folder, target.name)
        if target.status is not None and not stat.S_ISREG(target.status.st_mode):
            raise OutputError(f"{self.path}: is no longer a file: name another file")
        self._outputs._refuse(self.path, target, self._kind)
        if target.status is not None:
            os.fchmod(self.descriptor, stat.S_IMODE(target.status.st_mode) & 0o777)
            os.replace(self._temporary, target.name, src_dir_fd=folder, dst_dir_fd=folder)
        else:
            try:
                os.link(self._temporary, target.name, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=False)
            except FileExistsError:
                return False
            except OSError:  # this file system has no links
                os.replace(self._temporary, target.name, src_dir_fd=folder, dst_dir_fd=folder)
            else:
                os.unlink(self._temporary, dir_fd=folder)
        with suppress(OSError):  # some file systems cannot, and some folders may not be read
            os.fsync(folder)
        return True


class Meanwhile(Pending):
    """An output that is written while media are read. Its errors do not end the reading.

    `problem` says what went wrong; after that nothing more is written.
    """

    problem: OutputError | None = None

    @contextmanager
    def noting_problems(self) -> Iterator[None]:
        try:
            yield
        except OutputError as error:
            self.problem = self.problem or error

    def write(self, data: bytes | memoryview) -> None:
        with self.noting_problems():
            if self.problem is None:
                super().write(data)

    def finish(self) -> None:
        with self.noting_problems():
            if self.problem is None:
                super().finish()


def finish_together(files: Sequence[Pending]) -> None:
    """Wait until all files are on the disk, and then give them their names, in this order.

    Raises OutputError for the first that fails; it names the files that were written before, if any.
    """
    for each in files:
        each._settle()
    for number, each in enumerate(files):
        try:
            each._give_name()
        except OutputError as error:
            there = ", ".join(done.path for done in files[:number])
            raise OutputError(f"{error} (already written: {there})" if there else str(error), hint=error.hint) from None


@contextmanager
def output_errors(path: Name) -> Iterator[None]:
    """Turns what goes wrong in writing into an OutputError that names the file."""
    try:
        yield
    except OSError as error:
        raise OutputError(f"{os.fspath(path)}: cannot be written: {error.strerror}") from None
    except ValueError as error:
        raise OutputError(f"{os.fspath(path)!r}: cannot be written: {error}") from None

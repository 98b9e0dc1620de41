"""What a preflight is asked with."""

from pathlib import Path
from typing import Literal

import msgspec

from imgkit.console.result import SheetFile
from imgkit.console.sheets import load_sheet
from imgkit.core.errors import RequestError
from imgkit.drive.geometry import DriveFile, load_drive_file
from imgkit.label.plan import Plan, load_plan
from imgkit.medium import DEFAULT_ACCESS, Access, Medium
from imgkit.medium.same import is_same
from imgkit.readiness.machine import LoadedMachine, load_machine
from imgkit.seals.result import SealFile
from imgkit.seals.verify import block_digests_file, load_seal

Tail = Literal["forbid", "allow"]
Readings = Literal["once", "twice"]


class Request(msgspec.Struct, frozen=True, kw_only=True):
    """What a preflight is asked with, as paths or as what was loaded from them; None: not given.

    `sheet` and `log` go together. `readings`: whether the medium is read a second time, to see that it reads alike.
    `access` is how media are opened.
    """

    reference: str | Path | Medium | None = None
    seal: str | Path | SealFile | None = None
    sheet: str | Path | SheetFile | None = None
    log: str | Path | None = None
    drive: str | Path | DriveFile | None = None
    plan: str | Path | Plan | None = None
    machine: str | Path | LoadedMachine | None = None
    since: str | Path | None = None
    tail: Tail = "forbid"
    readings: Readings = "once"
    access: Access = DEFAULT_ACCESS

    def load(self) -> "LoadedRequest":
        """Read each of the files that describe something, once; raises DescriptionError for one that is not valid."""
        if (self.sheet is None) != (self.log is None):
            raise RequestError("the worksheet (sheet) and what the old machine answered (log) go together: give both")
        plan = load_plan(self.plan) if isinstance(self.plan, str | Path) else self.plan
        drive = self.drive
        if isinstance(drive, str | Path):
            of_plan = plan.drive_file if plan is not None else None
            if of_plan is not None and is_same(drive, of_plan.path):
                drive = msgspec.structs.replace(of_plan, path=str(drive))
            else:
                drive = load_drive_file(drive)
        return LoadedRequest(
            request=self,
            plan=plan,
            drive=drive,
            machine=load_machine(self.machine) if isinstance(self.machine, str | Path) else self.machine,
            seal=load_seal(self.seal) if isinstance(self.seal, str | Path) else self.seal,
            sheet=load_sheet(self.sheet) if isinstance(self.sheet, str | Path) else self.sheet,
        )

    def paths(self) -> dict[str, Path]:
        """The paths of what was given, by its name here."""
        names = ("reference", "seal", "sheet", "log", "drive", "plan", "machine", "since")
        named = {name: getattr(self, name) for name in names}
        return {
            name: Path(each if isinstance(each, str | Path) else each.path)
            for name, each in named.items()
            if each is not None
        }


class LoadedRequest(msgspec.Struct, frozen=True, kw_only=True):
    """What a preflight is asked with, once the files that describe something are read."""

    request: Request
    plan: Plan | None
    drive: DriveFile | None
    machine: LoadedMachine | None
    seal: SealFile | None
    sheet: SheetFile | None

    def files(self) -> list[Path]:
        """All files that were given, and those that they name: none of them may become an output."""
        files = [*self.request.paths().values()]
        if self.plan is not None:
            files += map(Path, self.plan.files)
        if self.seal is not None and self.seal.block_digests is not None:
            files.append(block_digests_file(Path(self.seal.path), self.seal.block_digests))
        if self.sheet is not None:
            files.append(Path(self.sheet.image))
        return files

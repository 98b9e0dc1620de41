"""What a preflight is asked with."""

from pathlib import Path
from typing import Literal

import msgspec

from imgkit.medium import DEFAULT_ACCESS, Access, Medium

Tail = Literal["forbid", "allow"]


class Given(msgspec.Struct, frozen=True, kw_only=True):
    """What a preflight is asked with; None: not given. `sheet` and `log` go together.

    `access` is how media are opened.
    """

    reference: str | Path | Medium | None = None
    seal: Path | None = None
    sheet: Path | None = None
    log: Path | None = None
    drive: Path | None = None
    plan: Path | None = None
    machine: Path | None = None
    since: Path | None = None
    tail: Tail = "forbid"
    access: Access = DEFAULT_ACCESS

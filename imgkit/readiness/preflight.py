"""The preflight itself: reads what was given, asks the questions, and puts the answer together.

*No-go* when any question is answered `no` (every finding that says stop makes one). *Go* when all that are needed are
`yes` or `look` and none is `unsure`. *Cannot say* otherwise. Blocks that could not be read are `unsure`, never `no`.

Blocks that differ from the original because they hold, byte for byte, the label that the plan makes count as exact
and are reported. Only the label's own bytes are excused: what lies beside them in a block has to be the original's
(`copy.beside-label`). A seal to the block shows that where the block with the sealed label laid over it has the
sealed digest. A worksheet with its log speaks of the drive in the old machine, and only if the medium has the sums
that the worksheet expects.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TypeVar

import msgspec

from imgkit.comparison.result import Comparison, LabelPair
from imgkit.console.result import SheetFile, Tally
from imgkit.console.tally import tally_only
from imgkit.core.clock import Clock
from imgkit.core.findings import Finding, by_severity, verdict_of
from imgkit.core.meanings import Subject, subject_of
from imgkit.drive.geometry import Boot, Drive, DriveFile
from imgkit.inspection.result import Inspection
from imgkit.label.check import read_labels, report_on, searched_for
from imgkit.label.marks import MARK_FINDINGS
from imgkit.label.plan import Plan
from imgkit.label.result import Label, LabelReport
from imgkit.location.places import block_size_of
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.same import is_same
from imgkit.readiness import contradictions, proofs
from imgkit.readiness.answer import answer_of, never_checked, reasons
from imgkit.readiness.checklist import CAUTIONS, WITHHELD, checklist, settling, until_go
from imgkit.readiness.evidence import Evidence, Root, boot_marks, find_root
from imgkit.readiness.machine import LoadedMachine
from imgkit.readiness.mend import mending
from imgkit.readiness.planned import Beside, PlannedBytes, SealedBlocks, beside_the_label, planned_bytes
from imgkit.readiness.questions import ask, open_points
from imgkit.readiness.reading import MediumRead, read_again, read_medium
from imgkit.readiness.request import LoadedRequest, Readings, Request, Tail
from imgkit.readiness.result import Answer, Preflight, Proof, Question, ReadMedium, Step, TakenDigest
from imgkit.readiness.since import load_earlier, since
from imgkit.seals.result import SealFile, Verification
from imgkit.seals.verify import BlockDigestFile

Progress = Callable[[int, int], None]
T = TypeVar("T", Comparison, Verification, Tally)

MOST_RANGES_KEPT = 1000
MOST_EPISODES_KEPT = 50
_SEEN_BY_READING = frozenset({"volume.exceeds-medium", "volume.unlabelled"})
"""What of the volumes only the reading of the whole medium finds, beside what is missing or displaced."""
_OF_MEDIA: frozenset[Subject] = frozenset({"reading", "pattern"})
"""The subjects of a comparison's findings that are about the media, not about labels."""


def preflight(
    medium: str | Path | Medium,
    *,
    reference: str | Path | Medium | None = None,
    seal: str | Path | SealFile | None = None,
    sheet: str | Path | SheetFile | None = None,
    log: str | Path | None = None,
    drive: str | Path | DriveFile | None = None,
    plan: str | Path | Plan | None = None,
    machine: str | Path | LoadedMachine | None = None,
    since: str | Path | None = None,
    tail: Tail = "forbid",
    readings: Readings = "once",
    access: Access = DEFAULT_ACCESS,
    progress: Progress | None = None,
) -> Preflight:
    """Say go, no-go or cannot say of a medium, from what is given with it.

    `reference` and `seal` are of the original; `sheet` is a worksheet and `log` what the old machine answered to it;
    `drive`, `plan` and `machine` are the files that describe these; `since` is the JSON of an earlier preflight.
    `tail="allow"` accepts a medium that goes on after the original's end.

    *go*: every needed question (exact, label, drive, boot, read without errors) has its evidence and a good answer,
    and no other question has a bad one. *no-go*: one has a bad answer. *cannot say*: all else. The medium is read
    once, for all questions together, and a second time for `readings="twice"`. Ctrl-C ends the reading early; what is
    not known then is left open. Raises InputError for media, DescriptionError for the files that describe something,
    RequestError for a call that is not possible.
    """
    request = Request(
        reference=reference,
        seal=seal,
        sheet=sheet,
        log=log,
        drive=drive,
        plan=plan,
        machine=machine,
        since=since,
        tail=tail,
        readings=readings,
        access=access,
    )
    return preflight_of(medium, request.load(), progress=progress)


def preflight_of(medium: str | Path | Medium, loaded: LoadedRequest, *, progress: Progress | None = None) -> Preflight:
    """As `preflight`, with the files that describe something loaded already."""
    run = _Run(loaded, Clock())
    reference, access = loaded.request.reference, loaded.request.access
    with ExitStack() as opened:
        if not isinstance(medium, Medium):
            medium = opened.enter_context(open_medium(medium, access))
        if reference is not None and not isinstance(reference, Medium):
            is_medium = is_same(medium, reference)
            reference = medium if is_medium else opened.enter_context(open_medium(reference, access))
        block_file = opened.enter_context(BlockDigestFile(loaded.seal)) if loaded.seal is not None else None
        return run.carry_out(medium, reference, block_file, progress)


class _Run:
    """One preflight, from the files that were given to the result."""

    def __init__(self, loaded: LoadedRequest, clock: Clock) -> None:
        self.clock, self.loaded, self.request = clock, loaded, loaded.request
        self.plan, self.machine = loaded.plan, loaded.machine
        self.drive: Drive | None = loaded.drive.drive if loaded.drive is not None else None
        self.drive_said_by = loaded.drive.path if loaded.drive is not None else ""
        if self.drive is None and self.plan is not None:
            self.drive, self.drive_said_by = self.plan.drive, f"the drive of {self.plan.path}"
        self.boot = loaded.drive.boot if loaded.drive is not None else Boot()
        self.before = load_earlier(self.request.since) if self.request.since is not None else None
        self.comparison: Comparison | None = None
        self.verification: Verification | None = None
        self.tally: Tally | None = None
        self.link: proofs.Link | None = None
        self.candidates: tuple[PlannedBytes, ...] = ()
        self.beside: tuple[Beside, ...] = ()

    def carry_out(
        self, medium: Medium, reference: Medium | None, block_file: BlockDigestFile | None, progress: Progress | None
    ) -> Preflight:
        """Read, ask, answer."""
        wants_two = self.request.readings == "twice"
        first, second = _two_stages(progress) if wants_two else (progress, None)
        self._planned(())
        if self.loaded.sheet is not None and self.request.log is not None:
            self.tally = tally_only(self.loaded.sheet, self.request.log)
        reading = read_labels(medium, drive=self.drive, plan=self.plan)
        report = report_on(medium, reading, drive=self.drive, tried=searched_for(self.plan), clock=self.clock)
        read = read_medium(medium, reference, self.loaded, block_file, self.drive, self.boot, first)
        inspection, interrupted = read.inspection, read.interrupted
        self.comparison, self.verification = read.comparison, read.verification
        taken = [read.sha256]
        if wants_two and not interrupted:
            again, interrupted = read_again(medium, inspection.block_size, second)
            taken.append(again)
        whole = [each for each in taken if each is not None]
        found = tuple(self._proofs(medium, reference, report, read, block_file))
        unit, _ = block_size_of(report.labels, None)
        root = find_root(medium, reading, self.plan, self.machine, self.drive, read.sightings)
        findings = [
            *self._label_findings(report, inspection),
            *self._boot_findings(inspection),
            *self._proof_findings(found),
            *(each for each in inspection.findings if subject_of(each.id) == "reading"),
            *contradictions.different_readings(whole),
            *self._description_findings(medium, report.labels, root),
        ]
        evidence = Evidence(
            request=self.request,
            medium=ReadMedium(
                path=str(medium.path),
                kind=medium.kind,
                packing=medium.packing,
                route=medium.route,
                size_bytes=medium.size_bytes,
                blocks=inspection.blocks,
            ),
            report=report,
            inspection=inspection,
            findings=by_severity(_once(findings)),
            drive=self.drive,
            drive_said_by=self.drive_said_by,
            boot=self.boot,
            boot_marks=boot_marks(medium, unit, self.boot, self.machine, report.labels),
            plan=self.plan,
            planned_is_there=any(each.are_on(medium) for each in self.candidates),
            machine=self.machine,
            root=root,
            proofs=found,
            comparison=self.comparison,
            beside=self.beside,
            digests=tuple(self._digests(medium, read)),
            whole_readings=len(whole),
            interrupted=interrupted,
        )
        return self._result(evidence)

    def _proofs(
        self,
        medium: Medium,
        reference: Medium | None,
        report: LabelReport,
        read: MediumRead,
        block_file: BlockDigestFile | None,
    ) -> Iterator[Proof]:
        """What each of the given means says of exactness."""
        if self.comparison is not None and reference is not None:
            planned = self._planned(self.comparison.labels.reference)
            self.beside = beside_the_label(medium, reference, planned, self.comparison.block_size)
            yield proofs.of_comparison(self.comparison, medium, reference, planned)
        seal, sheet = self.loaded.seal, self.loaded.sheet
        if self.verification is not None and seal is not None:
            had_it = seal.labels == report.labels
            sealed = SealedBlocks(seal, block_file, self.plan)
            planned = self._planned(seal.labels)
            yield proofs.of_verification(self.verification, medium, planned, sealed, original_had_the_label=had_it)
        if self.tally is not None and sheet is not None:
            self.link = proofs.link_to(sheet, medium, read.sums, self.request.tail, is_stopped=read.interrupted)
            yield proofs.of_sheet(self.tally, sheet, self.link)

    def _planned(self, originals: Sequence[Label]) -> tuple[PlannedBytes, ...]:
        """The bytes that the plan's label may have: as a new one, or with what it leaves out from an original's."""
        if self.plan is None:
            return ()
        made = [planned_bytes(self.plan), planned_bytes(self.plan, originals)]
        found = tuple(dict.fromkeys(each for each in made if each is not None))
        self.candidates = tuple(dict.fromkeys(self.candidates + found))
        return found

    def _result(self, evidence: Evidence) -> Preflight:
        questions = tuple(ask(evidence))
        answer = answer_of(questions)
        result = Preflight(
            verdict=verdict_of(unanswered=answer == "cannot-say", unequal=answer == "no-go"),
            findings=evidence.findings,
            started_at=self.clock.started_at,
            elapsed_seconds=self.clock.elapsed_seconds,
            answer=answer,
            reasons=reasons(answer, questions),
            questions=questions,
            proofs=evidence.proofs,
            not_checked=(*open_points(questions), *never_checked(evidence)),
            checklist=self._to_do(answer, questions, evidence),
            withheld=() if answer == "go" else WITHHELD,
            cautions=CAUTIONS,
            medium=evidence.medium,
            block_size=evidence.inspection.block_size,
            unreadable_blocks=evidence.inspection.unreadable_blocks,
            boot_words=evidence.inspection.boot_words,
            digests=evidence.digests,
            labels=evidence.report.labels,
            root=evidence.root.description if evidence.root is not None else None,
            drive=self.drive,
            boot=self.boot,
            machine=self.machine,
            plan_path=self.plan.path if self.plan is not None else None,
            comparison=_shortened_comparison(self.comparison),
            verification=_shortened(self.verification),
            tally=_shortened(self.tally),
            since=None,
            interrupted=evidence.interrupted,
        )
        if self.before is None or self.request.since is None:
            return result
        changed: Preflight = msgspec.structs.replace(result, since=since(self.request.since, self.before, result))
        return changed

    def _to_do(self, answer: Answer, questions: tuple[Question, ...], evidence: Evidence) -> tuple[Step, ...]:
        steps = checklist(self.machine, self.drive)
        if answer == "go":
            return steps
        if answer == "cannot-say":
            return until_go(steps, settling(questions))
        return until_go(steps, tuple(mending(evidence, questions)))

    def _description_findings(self, medium: Medium, labels: Sequence[Label], root: Root | None) -> Iterator[Finding]:
        if self.plan is not None and self.loaded.drive is not None:
            yield from contradictions.another_drive(self.loaded.drive.drive, self.drive_said_by, self.plan)
        if self.machine is not None and labels:
            yield from contradictions.another_byte_order(labels[0], self.machine)
        if self.machine is not None and root is not None:
            yield from contradictions.root_in_another_byte_order(root.volume, self.machine)
        if self.drive is not None:
            yield from contradictions.larger_than_the_drive(medium, self.drive, self.request.tail)

    def _label_findings(self, report: LabelReport, inspection: Inspection) -> Iterator[Finding]:
        """The findings of the labels; what lies beside its place is known from the reading of the whole medium."""
        machine = self.machine
        for finding in report.findings:
            is_settled = machine is not None and (
                (finding.id == "label.none" and machine.machine.label == "none")
                or (finding.id == "volume.unclean" and machine.root.clean_flag == "not kept")
            )
            if finding.id not in MARK_FINDINGS and not is_settled:
                yield finding
        yield from (each for each in inspection.findings if each.id in MARK_FINDINGS | _SEEN_BY_READING)

    def _boot_findings(self, inspection: Inspection) -> Iterator[Finding]:
        expected = self.machine.boot if self.machine is not None else None
        for finding in inspection.findings:
            if subject_of(finding.id) != "boot" or (expected is not None and expected.block == "any"):
                continue
            yield msgspec.structs.replace(finding, severity="stop")

    def _proof_findings(self, found: Sequence[Proof]) -> Iterator[Finding]:
        if self.comparison is not None:
            yield from (each for each in self.comparison.findings if subject_of(each.id) in _OF_MEDIA)
        if self.verification is not None:
            yield from self.verification.findings
        if self.tally is not None:
            yield from self.tally.findings
        yield from contradictions.written_over(self.beside)
        yield from contradictions.disagreements(found, self.comparison, self.verification)
        if self.link is not None:
            yield from contradictions.another_worksheet(self.link)

    def _digests(self, medium: Medium, read: MediumRead) -> Iterator[TakenDigest]:
        if read.sha256 is not None:
            yield TakenDigest("medium", str(medium.path), "sha256", read.sha256, self.clock.started_at)
        if self.comparison is not None:
            original = self.comparison.reference
            for algorithm, digest in original.digests.items():
                yield TakenDigest("reference", original.path, algorithm, digest, self.comparison.started_at)
        if self.verification is not None:
            seal = self.verification
            yield TakenDigest("sealed original", seal.seal_name, "sha256", seal.seal_sha256, seal.seal_made_at)


def _two_stages(progress: Progress | None) -> tuple[Progress | None, Progress | None]:
    """One progress over two readings of one medium."""
    if progress is None:
        return None, None
    return (
        lambda done, total: progress(done, 2 * total),
        lambda done, total: progress(total + done, 2 * total),
    )


def _once(findings: Sequence[Finding]) -> list[Finding]:
    """Each finding once, even where several readings report it."""
    return list({(each.id, each.message, str(each.where)): each for each in findings}.values())


def _shortened_comparison(comparison: Comparison | None) -> Comparison | None:
    shortened = _shortened(comparison)
    if shortened is None:
        return None
    return msgspec.structs.replace(
        shortened, episodes=shortened.episodes[:MOST_EPISODES_KEPT], copy_again=None, labels=LabelPair((), ())
    )


def _shortened(result: T | None) -> T | None:
    return None if result is None else msgspec.structs.replace(result, ranges=result.ranges[:MOST_RANGES_KEPT])

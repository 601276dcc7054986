"""How does a card come home?

One read of the card copies, hashes and measures; every copy is read back from its medium; each destination gets
the next generation of its ASC MHL manifest. Nothing that lies at a destination is ever replaced or removed.
"""

import os
import time
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from pathlib import Path

from takewell.checkin.card import Card, read_card
from takewell.checkin.erasing import judge
from takewell.checkin.place import Place, free_bytes, look_at, opened
from takewell.checkin.plan import Plan, plan_check_in
from takewell.checkin.run import Outcome, Run
from takewell.checkin.values import (
    CardReport,
    CheckedInFile,
    CheckinReport,
    DestinationReport,
    ProgressReport,
)
from takewell.checkin.wording import amount, count_of, shown
from takewell.errors import DestinationError, SettingError
from takewell.manifest.hashing import DEFAULT_FORMATS, check_formats
from takewell.roll import Logbook


def check_in(
    sources: Sequence[str | os.PathLike[str]],
    destinations: Sequence[str | os.PathLike[str]],
    *,
    hashes: Iterable[str] = DEFAULT_FORMATS,
    measure: bool = True,
    dry_run: bool = False,
    progress: ProgressReport | None = None,
) -> CheckinReport:
    """Copy cards to one or more destinations, verified, in one read that also measures.

    Parameters
    ----------
    sources : sequence of path
        Cards or folders. The mirrored slots of one recorder may be given together: what both hold is
        copied once and compared.
    destinations : sequence of path
        Folders of the same roll on different disks. Each is made where it is missing; its parent must be there.
    hashes : iterable of str
        Formats for the manifest, from `takewell.manifest.HASH_FORMATS`.
    measure : bool
        Whether sound files are measured into each destination's logbook.
    dry_run : bool
        Only say what would be done.
    progress : callable, optional
        Called about ten times a second, always from the calling thread.

    Returns
    -------
    CheckinReport
        What was refused or failed stands in `problems`; everything else was done.

    Raises
    ------
    SettingError
        If a hash is unknown, or sources and destinations are the same or lie in each other.
    FileError
        If a card is not there or empty, or a destination's manifest is damaged.
    DestinationError
        If a destination cannot be written, has too little room, or is being written to by another check-in.
    """
    begun = time.monotonic()
    formats = check_formats(hashes)
    roots, targets = [Path(p) for p in sources], [Path(p) for p in destinations]
    _check_paths(roots, targets)
    cards = [read_card(root) for root in roots]
    if dry_run:
        places = [look_at(root) for root in targets]
        return _dry_report(cards, places, plan_check_in(cards, places), time.monotonic() - begun)
    with ExitStack() as stack:
        places = [stack.enter_context(opened(root)) for root in targets]
        plan = plan_check_in(cards, places)
        _check_room(plan, places)
        outcome = Run(cards, places, plan, formats, measure=measure, progress=progress).go()
    report = _report(cards, places, plan, outcome, time.monotonic() - begun)
    for place in places if measure else ():
        with Logbook(place.root) as logbook:
            logbook.keep(
                "checkin", {"sentence": _for_the_report(report), "safe_to_erase": report.safe_to_erase}
            )
    return report


def _for_the_report(report: CheckinReport) -> str:
    """Return what the sound report says of the copies: no paths, which mean nothing to an editor."""
    if not report.complete:
        return "Not everything on the card was copied and verified; see the check-in."
    erase = "the card may be erased" if report.safe_to_erase else "the card is not to be erased yet"
    return f"Copied and verified at {count_of(len(report.destinations), 'place')}: {erase}."


def _check_paths(sources: Sequence[Path], destinations: Sequence[Path]) -> None:
    if not sources or not destinations:
        what = "card to check in" if not sources else "destination to copy to"
        raise SettingError(f"No {what} was named; name at least one.")
    named = [(path, path.resolve(), "card") for path in sources]
    named += [(path, path.resolve(), "destination") for path in destinations]
    for index, (path, real, what) in enumerate(named):
        for other, other_real, other_what in named[:index]:
            if real == other_real:
                twice = "twice" if what == other_what else "as card and as destination"
                raise SettingError(f"{shown(path)} is named {twice}; name two different folders.")
            inner, outer = (path, other) if other_real in real.parents else (other, path)
            if other_real in real.parents or real in other_real.parents:
                raise SettingError(
                    f"{shown(inner)} lies inside {shown(outer)}; cards and destinations must lie apart."
                )


def _check_room(plan: Plan, places: Sequence[Place]) -> None:
    """Refuse before the first byte what cannot fit; two destinations on one file system share its room."""
    needed: dict[int, int] = {}
    named: dict[int, Path] = {}
    for index, place in enumerate(places):
        device = place.root.stat().st_dev
        needed[device] = needed.get(device, 0) + plan.needed_bytes(index)
        named.setdefault(device, place.root)
    for device, size_bytes in needed.items():
        free = free_bytes(named[device])
        if size_bytes > free:
            raise DestinationError(
                f"{shown(named[device])} has {amount(free)} free and {amount(size_bytes)} are to be written to that disk; "
                "free some space or choose another disk."
            )


def _dry_report(cards: Sequence[Card], places: Sequence[Place], plan: Plan, seconds: float) -> CheckinReport:
    steps = plan.described(cards, places)
    counts = {
        action: sum(step.action == action for step in steps)
        for action in ("copy", "compare", "resume", "mirror", "refuse")
    }
    size = sum(step.size_bytes for step in steps if step.action == "copy")
    return CheckinReport(
        cards=tuple(_card_report(card, False, "Nothing was copied: this was a dry run.") for card in cards),
        destinations=tuple(_destination_report(place, None, ()) for place in places),
        files=(),
        left_out=tuple(item for card in cards for item in card.left_out),
        unreadable_sound=(),
        measured_files=0,
        problems=tuple(dict.fromkeys(step.sentence for step in steps if step.action == "refuse")),
        notes=plan.notes,
        complete=False,
        safe_to_erase=False,
        sentence=(
            f"Nothing was done. It would take {counts['copy']} copies ({amount(size)}) and "
            f"{counts['compare'] + counts['resume'] + counts['mirror']} comparisons, and refuse {counts['refuse']}."
        ),
        dry_run=True,
        plan=steps,
        seconds=seconds,
    )


def _report(
    cards: Sequence[Card], places: Sequence[Place], plan: Plan, outcome: Outcome, seconds: float
) -> CheckinReport:
    card_reports = []
    for number, card in enumerate(cards):
        own = [step for step in plan.steps if step.card == number]
        safe, sentence = judge(
            shown(card.root),
            card.disks,
            {shown(s.path): outcome.verified_places(number, s.path) for s in own},
            [(shown(place.root), place.disks) for place in places],
            size_bytes=sum(step.facts.size_bytes for step in own),
            left_behind=[item.path for item in card.left_out if item.matters],
            doubts=outcome.doubts.get(number, []),
        )
        card_reports.append(_card_report(card, safe, sentence))
    copies = [copy for file in outcome.files for copy in file.copies]
    tally = {
        state: sum(copy.state == state for copy in copies)
        for state in ("copied", "identical", "refused", "failed")
    }
    problems = tuple(
        dict.fromkeys([*(copy.sentence for copy in copies if not copy.verified), *outcome.problems])
    )
    size = sum(step.facts.size_bytes for step in plan.steps)
    words = {"copied": "copied", "identical": "there already", "refused": "refused", "failed": "failed"}
    told = ", ".join(
        f"{tally[state]} {word}" for state, word in words.items() if tally[state] or state == "copied"
    )
    where = "1 destination" if len(places) == 1 else f"{len(places)} destinations"
    summary = f"{count_of(len(plan.steps), 'file')} ({amount(size)}) to {where}: {told}."
    return CheckinReport(
        cards=tuple(card_reports),
        destinations=tuple(
            _destination_report(place, outcome.manifests.get(index), outcome.files)
            for index, place in enumerate(places)
        ),
        files=tuple(outcome.files),
        left_out=tuple(item for card in cards for item in card.left_out),
        unreadable_sound=tuple(outcome.unreadable),
        measured_files=outcome.measured,
        problems=problems,
        notes=tuple(dict.fromkeys([*plan.notes, *outcome.notes])),
        complete=not problems and all(copy.verified for copy in copies),
        safe_to_erase=all(report.safe_to_erase for report in card_reports),
        sentence=" ".join([summary, *(report.sentence for report in card_reports)]),
        plan=plan.described(cards, places),
        seconds=seconds,
    )


def _card_report(card: Card, safe: bool, sentence: str) -> CardReport:
    size = sum(facts.size_bytes for facts in card.files.values())
    return CardReport(str(card.root), len(card.files), size, safe, sentence)


def _destination_report(
    place: Place, manifest: Path | None, files: Iterable[CheckedInFile]
) -> DestinationReport:
    name = str(place.root)
    own = [(file, copy) for file in files for copy in file.copies if copy.destination == name]
    copied = [file for file, copy in own if copy.state == "copied"]
    return DestinationReport(
        folder=name,
        disks=tuple(sorted(place.disks.names)),
        copied_files=len(copied),
        identical_files=sum(copy.state == "identical" for _, copy in own),
        copied_bytes=sum(file.size_bytes for file in copied),
        manifest=None if manifest is None else str(manifest),
    )

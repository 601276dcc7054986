"""Did an examination find what was planted, and nothing else?

Conventions: times are seconds from the take's first sample. A planted thing is found when a finding of a kind that
names it rightly lies on the same take and track (for a file as a whole: on the same file) and overlaps it in time.
A finding is false when nothing planted accounts for it and the set-up does not bring it with it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from takewell.demo.truth import Planted, Truth, TruthTake, TruthTrack
from takewell.roll.values import Finding, Verdict

SLACK_S = 0.4
"""How far a finding may lie beside what was planted: one momentary window of ITU-R BS.1770."""


@dataclass(frozen=True)
class Comparison:
    """Findings and verdicts held against the truth."""

    found: tuple[tuple[Planted, Finding], ...]
    missed: tuple[Planted, ...]
    false: tuple[Finding, ...]
    wrong_verdicts: tuple[tuple[TruthTrack, Verdict | None], ...]
    """None stands for a track that got no verdict."""
    lines: tuple[str, ...]
    """One sentence for each of these and a last one that counts them."""

    @property
    def complete(self) -> bool:
        """Whether everything planted was found, every track judged rightly, and nothing else found."""
        return not (self.missed or self.false or self.wrong_verdicts)


def compare(truth: Truth, findings: Sequence[Finding], verdicts: Sequence[Verdict]) -> Comparison:
    """Return what was found, missed, found falsely and judged wrongly.

    Parameters
    ----------
    truth : Truth
        As `write_day` returns it or ``truth.json`` holds it.
    findings : sequence of Finding
        Of the whole roll; their order does not matter.
    verdicts : sequence of Verdict
        Of the whole roll; a track without one is judged wrongly.
    """
    found, missed = [], []
    for planted in truth["planted"]:
        match = next((f for f in findings if f.kind in planted["accept"] and _same_place(planted, f)), None)
        if match is None and planted["must"]:
            missed.append(planted)
        elif match is not None:
            found.append((planted, match))
    takes = {take["take"]: take for take in truth["takes"]}
    false = [f for f in findings if not _accounted_for(truth, takes, f)]
    given = {(v.take, v.track): v for v in verdicts}
    wrong = [
        (track, verdict)
        for track in truth["tracks"]
        if (verdict := given.get((track["take"], track["track"]))) is None
        or verdict.verdict not in track["verdicts"]
    ]
    lines = [
        *(
            f"found:  {_place(p)}: {p['what']} ({_span(p['start_s'], p['end_s'])}), as {_named(f)}"
            for p, f in found
        ),
        *(
            f"MISSED: {_place(p)}: {p['what']} ({_span(p['start_s'], p['end_s'])}), kind {p['kind']}"
            for p in missed
        ),
        *(
            f"FALSE:  {f.take} track {f.track}: {_named(f)}, which nobody planted: {f.sentence}"
            for f in false
        ),
        *(f"WRONG:  {_judged(track, verdict)}" for track, verdict in wrong),
        f"{len(found)} of {len(found) + len(missed)} planted things found, {len(missed)} missed, {len(false)} false, "
        f"{len(wrong)} of {len(truth['tracks'])} verdicts wrong.",
    ]
    return Comparison(tuple(found), tuple(missed), tuple(false), tuple(wrong), tuple(lines))


def _same_place(planted: Planted, finding: Finding) -> bool:
    if (finding.take, finding.track) != (planted["take"], planted["track"]):
        return False
    if planted["track"] == 0 and _file_name(finding.file) != _file_name(planted["file"]):
        return False
    return finding.start_s <= planted["end_s"] + SLACK_S and finding.end_s >= planted["start_s"] - SLACK_S


def _accounted_for(truth: Truth, takes: Mapping[str, TruthTake], finding: Finding) -> bool:
    if finding.take in takes and finding.kind in takes[finding.take]["natural"]:
        return True
    return any(
        finding.kind in (*planted["accept"], *planted["also"]) and _same_place(planted, finding)
        for planted in truth["planted"]
    )


def _file_name(path: str) -> str:
    """Return a path's last part: a roll may keep a card's folders under others."""
    return path.rpartition("/")[2]


def _place(planted: Planted) -> str:
    if planted["track"]:
        return f"{planted['take']} track {planted['track']} {planted['name']}"
    return f"{planted['take']} {_file_name(planted['file'])}"


def _named(finding: Finding) -> str:
    return f"{finding.kind} {_span(finding.start_s, finding.end_s)}"


def _span(start_s: float, end_s: float) -> str:
    places = 1 if end_s - start_s >= 1 else 3
    return f"{start_s:.{places}f} to {end_s:.{places}f} s"


def _judged(track: TruthTrack, verdict: Verdict | None) -> str:
    place = f"{track['take']} track {track['track']} {track['name']}"
    right = " or ".join(track["verdicts"])
    if verdict is None:
        return f"{place}: got no verdict, right would be {right}"
    return f"{place}: judged {verdict.verdict}, right would be {right}: {verdict.reason}"

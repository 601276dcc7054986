"""What does the report say of a take's copies and mended tracks, beside its table?

One sentence for each pair of which one track serves better somewhere or whose gain was moved, one for a voice whose
best track is not the nearest, one for each mended track.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

from takewell.draw.track import clock
from takewell.roll import Examination, Pair, Take

MOST_PASSAGES = 4
"""Passages of a pair that are listed."""


def take_remarks(take: Take, examination: Examination, mended: Mapping[Path, str]) -> tuple[str, ...]:
    """Return the sentences of a take.

    Parameters
    ----------
    take : Take
    examination : Examination
    mended : mapping of file to sentence
        The take's mended tracks and what was joined in each.
    """
    names = {track.number: track.name or f"track {track.number}" for track in take.tracks}
    said = [_pair(pair, names) for pair in examination.pairs if pair.take == take.id]
    for best in examination.best:
        if best.take == take.id and best.voice and best.voice != names.get(best.track):
            said.append(f"For the voice at {best.voice} reach for {names[best.track]}: {best.reason}.")
    said += [f"Mended, {path.name}: {sentence}." for path, sentence in mended.items()]
    return tuple(sentence for sentence in said if sentence)


def _pair(pair: Pair, names: Mapping[int, str]) -> str:
    """Return what is to say of a pair, nothing where both serve alike at one gain."""
    first = names[pair.track]
    copy = (
        names[pair.other_track]
        if pair.other_take == pair.take
        else f"track {pair.other_track} of {pair.other_take}"
    )
    told: Sequence[str] = [
        f"{clock(int(p.start_s))} to {clock(int(p.end_s))} {first if p.serves == 1 else copy} serves better ({p.because})"
        for p in pair.passages
        if p.serves
    ]
    moves = [
        f"the copy’s gain moves by {p.changed_by_db:+.1f} dB at {clock(int(p.start_s))}".replace("-", "−")
        for p in pair.passages
        if p.changed_by_db and p.state == "steady"
    ]
    events = [*told, *moves]
    if not events:
        return ""
    more = f"; and {len(events) - MOST_PASSAGES} more" if len(events) > MOST_PASSAGES else ""
    gain = f"{pair.gain_db:+.1f}".replace("-", "−")
    return f"{first} and its copy {copy} ({gain} dB): {'; '.join(events[:MOST_PASSAGES])}{more}."

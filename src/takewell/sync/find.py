"""Which recordings does each clip of a day hear, and where?

Where stamps claim an overlap, the sound there is compared first. What is not explained so is looked for along the whole day,
by sketches, minute by minute of a clip; the best places are compared by sound, and kept where they are heard. A second place
that fits nearly as well is remembered as a rival.

Conventions: recordings and clips are counted by their place in the lists given; times as in `clock_line`.
"""

from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from takewell.sync.claims import AGREE_S, claimed_offset_s, claims
from takewell.sync.confidence import LEAST, sure
from takewell.sync.pair import MOST_WINDOWS, Heard, compare
from takewell.sync.search import LEAST_ROWS, STRETCH_ROWS, Place, Stretch, Strip
from takewell.sync.settings import Progress, SyncSettings
from takewell.sync.sketch import ROWS_PER_SECOND, Sketch
from takewell.sync.sound import Sound
from takewell.sync.values import Clip, Recording

TRIAL_WINDOWS = 12
_MOST_ROUNDS = 4
_MOST_TRIALS = 4
"""Places compared by sound in one round for one clip; beyond them chance alone finds as good ones."""

_WORTH_TRYING = 5.0
_RIVAL_STANDING_OUT = 0.6
_PLAIN_STANDING_OUT = 9.0
"""A place that the sketches show plainly: where the sound is not heard there, it may run at another speed."""

_SAME_S = 0.1


@dataclass
class Found:
    """A recording that a clip heard."""

    recording: int
    anchors: list[tuple[float, float]]
    heard: Heard
    rivals: list[tuple[float, str]] = field(default_factory=list)
    """(evidence, recording's name) of other places where the same part of the clip cannot be as well."""


@dataclass
class State:
    """What is known of a clip so far."""

    found: list[Found] = field(default_factory=list)
    best_seen: tuple[float, str] = (0.0, "")
    done: bool = False


class Finder:
    """Looks for the recordings of each clip; `find` does it all.

    Parameters
    ----------
    recordings, clips : sequences
    own, others : sequences of Sketch
        Theirs, in the same order.
    settings : SyncSettings
    pool : ThreadPoolExecutor
    progress : callable
    """

    def __init__(
        self,
        recordings: Sequence[Recording],
        clips: Sequence[Clip],
        own: Sequence[Sketch],
        others: Sequence[Sketch],
        settings: SyncSettings,
        pool: ThreadPoolExecutor,
        progress: Progress,
    ) -> None:
        self._recordings, self._clips = recordings, clips
        self._own, self._others = own, others
        self._settings, self._pool, self._progress = settings, pool, progress
        self._states = [State() for _ in clips]

    def find(self) -> list[State]:
        """Return what is known of each clip."""
        self._by_claims()
        self._by_search()
        return self._states

    # By stamp

    def _by_claims(self) -> None:
        """Compare by sound what the stamps claim."""

        def look(k: int) -> None:
            for claim in claims(self._recordings, self._clips[k]):
                lag_s = claim.offset_s
                middle_s = max(0.0, -lag_s) + claim.overlap_s / 2
                heard = self._compare(claim.recording, k, [(middle_s, lag_s)], TRIAL_WINDOWS)
                if heard is not None and sure(heard.evidence) >= LEAST:
                    self._keep(k, claim.recording, [(middle_s, lag_s)])

        for k, _ in enumerate(self._pool.map(look, range(len(self._clips)))):
            self._progress("holding against timecode", k + 1, len(self._clips))

    # By sound

    def _by_search(self) -> None:
        """Look along the day for what is not explained yet."""
        if not any(len(one.moves) >= LEAST_ROWS for one in self._own):
            return
        strip = Strip(self._own)
        for turn in range(_MOST_ROUNDS):
            wanted = [
                stretch
                for k, state in enumerate(self._states)
                if not state.done
                for stretch in self._unexplained(k)
            ]
            if not wanted:
                return
            by_clip: dict[int, list[Place]] = defaultdict(list)
            for places in strip.places(self._others, wanted):
                for place in places:
                    by_clip[place.stretch.clip].append(place)
            todo = sorted(by_clip)
            tried = self._pool.map(self._try, todo, [by_clip[k] for k in todo])
            for n, _ in enumerate(tried):
                self._progress(f"searching, round {turn + 1}", n + 1, len(todo))
            for k, state in enumerate(self._states):
                state.done = state.done or k not in by_clip

    def _unexplained(self, clip: int) -> list[Stretch]:
        """Return the stretches of a clip in which nothing was followed yet, at most a minute each."""
        rows = len(self._others[clip].moves)
        open_rows = np.ones(rows, np.bool_)
        for found in self._states[clip].found:
            heard = found.heard
            times = np.array(heard.followed_s)
            reach = max(
                (heard.end_s - heard.start_s) / max(len(times), 1), STRETCH_ROWS / ROWS_PER_SECOND / 2
            )
            first_s = heard.start_s + heard.line.lag(heard.start_s)
            last_s = heard.end_s + heard.line.lag(heard.end_s)
            for time_s in times:
                at_s = time_s + heard.line.lag(float(time_s))
                begin = int(max(at_s - reach, first_s, 0.0) * ROWS_PER_SECOND)
                end = int(max(min(at_s + reach, last_s), 0.0) * ROWS_PER_SECOND)
                open_rows[begin:end] = False
        lively = np.asarray(self._others[clip].moves.any(axis=1), np.bool_).reshape(-1)
        stretches = []
        edges = np.flatnonzero(np.diff(np.concatenate([[False], open_rows, [False]]).astype(np.int8)))
        for start, stop in edges.reshape(-1, 2).tolist():
            parts = max(1, round((stop - start) / STRETCH_ROWS))
            cuts = np.linspace(start, stop, parts + 1).astype(int).tolist()
            for first, last in pairwise(cuts):
                last = min(last, first + STRETCH_ROWS)
                if last - first >= LEAST_ROWS and lively[first:last].any():
                    stretches.append(Stretch(clip, first, last))
        return stretches

    def _try(self, clip: int, places: list[Place]) -> None:
        """Compare the best places of a clip by sound and keep what is heard there."""
        state = self._states[clip]
        places = sorted(places, key=lambda place: -place.standing_out)
        kept: list[Place] = []
        tried = 0
        for place in places:
            if tried == _MOST_TRIALS or place.standing_out < _WORTH_TRYING:
                break
            if any(_same(place, found) for found in state.found):
                continue
            if (
                kept
                and place.standing_out < _RIVAL_STANDING_OUT * kept[0].standing_out
                and any(place.stretch == other.stretch for other in kept)
            ):
                continue
            tried += 1
            plain = place.standing_out >= _PLAIN_STANDING_OUT
            heard = self._compare(place.recording, clip, [_anchor(place)], TRIAL_WINDOWS, plain)
            if heard is None:
                continue
            confidence = sure(heard.evidence)
            if confidence > state.best_seen[0]:
                state.best_seen = (confidence, self._recordings[place.recording].name)
            if confidence < LEAST:
                continue
            rivals = [found for found in state.found if self._rival(place, found)]
            if rivals:
                strongest = max(rivals, key=lambda found: found.heard.evidence)
                beside = (heard.evidence, self._recordings[place.recording].name)
                if heard.evidence <= strongest.heard.evidence or self._claimed(clip, strongest):
                    strongest.rivals.append(beside)
                    continue
                state.found.remove(strongest)
                beaten = (strongest.heard.evidence, self._recordings[strongest.recording].name)
                before = [*strongest.rivals, beaten]
            else:
                before = []
            found = self._keep(clip, place.recording, [_anchor(place)])
            if found is not None:
                found.rivals += before
            kept.append(place)
        if not kept:
            state.done = True

    def _rival(self, place: Place, found: Found) -> bool:
        """Return whether a place and a recording found already cannot both be where this part of the clip belongs."""
        first_s, last_s = place.stretch.start / ROWS_PER_SECOND, place.stretch.stop / ROWS_PER_SECOND
        heard = found.heard
        begins = heard.start_s + heard.line.lag(heard.start_s)
        ends = heard.end_s + heard.line.lag(heard.end_s)
        overlap = min(last_s, ends) - max(first_s, begins)
        if overlap < 0.5 * (last_s - first_s):
            return False
        one, other = self._recordings[place.recording], self._recordings[found.recording]
        if place.recording != found.recording and one.start_s is not None and other.start_s is not None:
            # Two recorders that ran at once may both be right: their stamps say so.
            apart = float(one.start_s - other.start_s) - (
                place.offset_rows / ROWS_PER_SECOND - heard.line.offset_s
            )
            return abs(apart) > AGREE_S
        if place.recording == found.recording:
            # Another place in one recording is a jump where the sound was not followed there before, else a repetition.
            followed = (time_s + heard.line.lag(time_s) for time_s in heard.followed_s)
            return any(first_s <= clip_s <= last_s for clip_s in followed)
        return True

    def _claimed(self, clip: int, found: Found) -> bool:
        claimed = claimed_offset_s(self._recordings[found.recording], self._clips[clip])
        return claimed is not None and abs(claimed - found.heard.line.offset_s) <= AGREE_S

    def _keep(self, clip: int, recording: int, anchors: list[tuple[float, float]]) -> Found | None:
        """Compare all of the overlap and keep it, joined to what was found of the same recording before."""
        state = self._states[clip]
        before = next((found for found in state.found if found.recording == recording), None)
        if before is not None:
            anchors = [*before.anchors, *anchors]
        heard = self._compare(recording, clip, anchors)
        if heard is None or (before is not None and heard.evidence < 0.5 * before.heard.evidence):
            return None
        found = Found(recording, anchors, heard)
        if before is not None:
            found.rivals = before.rivals
            state.found.remove(before)
        state.found.append(found)
        return found

    def _compare(
        self,
        recording: int,
        clip: int,
        anchors: Sequence[tuple[float, float]],
        most: int = MOST_WINDOWS,
        perhaps_pulled: bool = True,
    ) -> Heard | None:
        with Sound(self._recordings[recording]) as own, Sound(self._clips[clip]) as other:
            sketches = (self._own[recording], self._others[clip])
            return compare(
                own,
                other,
                sketches,
                anchors,
                most_windows=most,
                walked_m=self._settings.walked_m,
                perhaps_pulled=perhaps_pulled,
            )


def _same(place: Place, found: Found) -> bool:
    """Return whether a place is one that is known already."""
    time_s, lag_s = _anchor(place)
    return found.recording == place.recording and abs(found.heard.line.lag(time_s) - lag_s) < _SAME_S


def _anchor(place: Place) -> tuple[float, float]:
    """Return (time of the recording, lag) in the middle of a place."""
    middle_s = (place.stretch.start + place.stretch.stop) / 2 / ROWS_PER_SECOND
    lag_s = place.offset_rows / ROWS_PER_SECOND
    return middle_s - lag_s, lag_s

"""Which recording of a day belongs to which clip, and where?

In this order: every file is sketched, once. Where stamps claim an overlap the sound there is compared first. What is not
explained so is looked for along the whole day, by sketches, and the best places are compared by sound. Where sound cannot
tell, timecode places what it claims, as far as its other clips bear it out. A stamp that the sound contradicts is said to lie.

Conventions: see `values`. Files are read by blocks; what is kept of them is their sketches, 3 MB an hour and as much again
for the search.
"""

import os
from collections import defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import TypeVar

import numpy as np

from takewell.errors import TakewellError
from takewell.sync import sentences
from takewell.sync.claims import AGREE_S, Claim, Trust, claimed_offset_s, claims, trust
from takewell.sync.claps import claps
from takewell.sync.confidence import LEAST, RIVAL_SHARE, sure
from takewell.sync.pair import Heard, compare
from takewell.sync.search import LEAST_ROWS, STRETCH_ROWS, Place, Stretch, Strip
from takewell.sync.settings import SyncSettings
from takewell.sync.sketch import ROWS_PER_SECOND, Sketch, sketch
from takewell.sync.sound import Sound
from takewell.sync.speed import pulled
from takewell.sync.values import Clip, Pairing, Recording, SyncReport

Progress = Callable[[str, int, int], None]
"""Called with what is at hand, how much is done, and how much there is to do."""

TRIAL_WINDOWS = 12
_MOST_ROUNDS = 4
_MOST_TRIALS = 5
"""Places compared by sound in one round for one clip; beyond them chance alone finds as good ones."""

_WORTH_TRYING = 5.0
_RIVAL_STANDING_OUT = 0.6
_CLAIMED_STANDING_OUT = 12.0
"""What a place that a stamp names is worth before anything is heard: as much as one that the sketches show plainly."""

_FRAME_S = 0.04
_SAME_S = 0.1


_T = TypeVar("_T", Recording, Clip)


@dataclass
class _Found:
    """A recording that a clip heard."""

    recording: int
    anchors: list[tuple[float, float]]
    heard: Heard
    standing_out: float
    rival: float = 0.0
    rival_name: str = ""


@dataclass
class _State:
    """What is known of a clip so far."""

    found: list[_Found] = field(default_factory=list)
    best_seen: tuple[float, str] = (0.0, "")
    done: bool = False


def line_up(
    recordings: Sequence[Recording],
    clips: Sequence[Clip],
    settings: SyncSettings | None = None,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
) -> SyncReport:
    """Line up the recordings of a day with clips, many to many.

    Parameters
    ----------
    recordings, clips : sequences of Recording and Clip
    settings : SyncSettings, optional
        What is known beforehand.
    workers : int, optional
        Threads; as many as there are cores where not given.
    progress : callable, optional
        Told how far it is.

    Returns
    -------
    SyncReport
        A pairing for each clip and each recording heard in it, in the order of the clips; clips without a partner say why.
    """
    return _Day(
        recordings, clips, settings or SyncSettings(), workers or os.cpu_count() or 1, progress
    ).report()


class _Day:
    def __init__(
        self,
        recordings: Sequence[Recording],
        clips: Sequence[Clip],
        settings: SyncSettings,
        workers: int,
        progress: Progress | None,
    ) -> None:
        self._settings = settings
        self._progress = progress or (lambda _what, _done, _whole: None)
        self._pool = ThreadPoolExecutor(max(1, workers))
        self._unreadable: list[str] = []
        self._recordings, self._own = self._sketched(recordings)
        self._clips, self._others = self._sketched(clips)
        self._states = [_State() for _ in self._clips]

    def report(self) -> SyncReport:
        """Do it all."""
        with self._pool:
            self._by_claims()
            self._by_search()
            trusts = self._trusts()
            self._progress("comparing", 0, len(self._clips))
            pairings: list[Pairing] = []
            for k, found in enumerate(
                self._pool.map(lambda k: self._pairings(k, trusts), range(len(self._clips)))
            ):
                pairings += found
                self._progress("comparing", k + 1, len(self._clips))
        paired = {pairing.recording.name for pairing in pairings if pairing.recording is not None}
        return SyncReport(
            sentences.with_insides(pairings),
            tuple(r for r in self._recordings if r.name not in paired),
            tuple(self._unreadable),
        )

    def _sketched(self, subjects: Sequence[_T]) -> tuple[list[_T], list[Sketch]]:
        """Return the subjects that can be read, and their sketches; for each other one a sentence is kept."""
        kept: list[_T] = []
        sketches: list[Sketch] = []
        self._progress("listening", 0, len(subjects))
        for k, (subject, one) in enumerate(zip(subjects, self._pool.map(_sketch, subjects), strict=True)):
            if isinstance(one, str):
                self._unreadable.append(one)
            else:
                kept.append(subject)
                sketches.append(one)
            self._progress("listening", k + 1, len(subjects))
        return kept, sketches

    # By stamp

    def _by_claims(self) -> None:
        """Compare by sound what the stamps claim."""

        def look(k: int) -> None:
            for claim in claims(self._recordings, self._clips[k]):
                lag_s = claim.offset_s
                middle_s = max(0.0, -lag_s) + claim.overlap_s / 2
                heard = self._compare(claim.recording, k, [(middle_s, lag_s)], TRIAL_WINDOWS)
                if heard is not None and sure(heard.evidence, _CLAIMED_STANDING_OUT) >= LEAST:
                    self._keep(k, claim.recording, [(middle_s, lag_s)], _CLAIMED_STANDING_OUT)

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
            for time_s in times:
                at = (time_s + heard.line.lag(float(time_s))) * ROWS_PER_SECOND
                half = reach * ROWS_PER_SECOND
                open_rows[max(0, int(at - half)) : max(0, int(at + half))] = False
        lively = self._others[clip].moves.any(axis=1)
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
        kept: list[tuple[Place, float]] = []
        tried = 0
        for place in places:
            if tried == _MOST_TRIALS or place.standing_out < _WORTH_TRYING:
                break
            if any(_same(place, found) for found in state.found):
                continue
            if (
                kept
                and place.standing_out < _RIVAL_STANDING_OUT * kept[0][0].standing_out
                and any(place.stretch == other.stretch for other, _ in kept)
            ):
                continue
            tried += 1
            heard = self._compare(place.recording, clip, [_anchor(place)], TRIAL_WINDOWS)
            if heard is None:
                continue
            confidence = sure(heard.evidence, place.standing_out)
            if confidence > state.best_seen[0]:
                state.best_seen = (confidence, self._recordings[place.recording].name)
            if confidence < LEAST:
                continue
            rivals = [found for found in state.found if self._rival(place, found)]
            if rivals:
                strongest = max(rivals, key=lambda found: found.heard.evidence)
                if heard.evidence <= strongest.heard.evidence or self._claimed(clip, strongest):
                    if heard.evidence > strongest.rival:
                        strongest.rival = heard.evidence
                        strongest.rival_name = self._recordings[place.recording].name
                    continue
                state.found.remove(strongest)
                kept_before = (strongest.heard.evidence, self._recordings[strongest.recording].name)
            else:
                kept_before = (0.0, "")
            found = self._keep(clip, place.recording, [_anchor(place)], place.standing_out)
            if found is not None and kept_before[0] > found.rival:
                found.rival, found.rival_name = kept_before
            kept.append((place, heard.evidence))
        if not kept:
            state.done = True

    def _rival(self, place: Place, found: _Found) -> bool:
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
            # Another place in one recording is a jump where neither was followed past it, else a repetition.
            time_s = _anchor(place)[0]
            return any(abs(t - time_s) < STRETCH_ROWS / ROWS_PER_SECOND / 2 for t in heard.followed_s)
        return True

    def _claimed(self, clip: int, found: _Found) -> bool:
        claimed = claimed_offset_s(self._recordings[found.recording], self._clips[clip])
        return claimed is not None and abs(claimed - found.heard.line.offset_s) <= AGREE_S

    def _keep(
        self, clip: int, recording: int, anchors: list[tuple[float, float]], standing_out: float
    ) -> _Found | None:
        """Compare all of the overlap and keep it, joined to what was found of the same recording before."""
        state = self._states[clip]
        before = next((found for found in state.found if found.recording == recording), None)
        if before is not None:
            anchors = [*before.anchors, *anchors]
        heard = self._compare(recording, clip, anchors, None)
        if heard is None or (before is not None and heard.evidence < 0.5 * before.heard.evidence):
            return None
        found = _Found(recording, anchors, heard, standing_out)
        if before is not None:
            found.standing_out = max(standing_out, before.standing_out)
            found.rival, found.rival_name = before.rival, before.rival_name
            state.found.remove(before)
        state.found.append(found)
        return found

    def _compare(
        self, recording: int, clip: int, anchors: Sequence[tuple[float, float]], most: int | None
    ) -> Heard | None:
        with Sound(self._recordings[recording]) as own, Sound(self._clips[clip]) as other:
            sketches = (self._own[recording], self._others[clip])
            more = {} if most is None else {"most_windows": most}
            return compare(own, other, sketches, anchors, walked_m=self._settings.walked_m, **more)

    # Putting it into pairs

    def _trusts(self) -> dict[Path, Trust]:
        """Return for each folder of clips how far its timecode went along with the sound."""
        errors: dict[Path, list[float]] = defaultdict(list)
        for clip, state in zip(self._clips, self._states, strict=True):
            for found in state.found:
                claimed = claimed_offset_s(self._recordings[found.recording], clip)
                if claimed is not None:
                    errors[clip.path.parent].append(found.heard.line.offset_s - claimed)
        return {folder: trust(values) for folder, values in errors.items()}

    def _pairings(self, k: int, trusts: dict[Path, Trust]) -> list[Pairing]:
        """Return what is known of a clip as pairings, in order of time."""
        clip, state = self._clips[k], self._states[k]
        heard = [self._heard_pairing(clip, found) for found in state.found]
        taken = {found.recording for found in state.found}
        claimed = [claim for claim in claims(self._recordings, clip) if claim.recording not in taken]
        known = trusts.get(clip.path.parent, Trust(0, 0, 0.0))
        pairs = [pair for pair in heard if pair.recording is not None]
        if not pairs:
            pairs = [self._claimed_pairing(k, claim, known) for claim in claimed]
            pairs = [pair for pair in pairs if pair.confidence >= LEAST]
        if pairs:
            return sorted(pairs, key=lambda pair: pair.offset_s or 0.0)
        if heard:
            return heard[:1]
        reason = sentences.no_partner(
            clip, self._others[k], any(len(s.moves) for s in self._own), state.best_seen, bool(claimed)
        )
        return [Pairing(None, clip, reason=reason, notes=sentences.clip_notes(clip))]

    def _heard_pairing(self, clip: Clip, found: _Found) -> Pairing:
        recording, heard, line = self._recordings[found.recording], found.heard, found.heard.line
        confidence = sure(heard.evidence, found.standing_out, found.rival)
        claimed = claimed_offset_s(recording, clip)
        agrees = claimed is not None and abs(claimed - line.offset_s) <= AGREE_S
        if agrees:
            confidence = sure(heard.evidence, max(found.standing_out, _CLAIMED_STANDING_OUT))
        if confidence < LEAST:
            reason = sentences.undecided(clip, recording, confidence, found.rival_name if found.rival else "")
            return Pairing(None, clip, confidence=confidence, reason=reason, notes=sentences.clip_notes(clip))
        told = line.slope_uncertainty < float("inf")
        pairing = Pairing(
            recording,
            clip,
            line.offset_s,
            line.offset_uncertainty_s,
            line.drift_ppm if told else None,
            line.drift_uncertainty_ppm if told else None,
            confidence,
            "both" if agrees else "sound",
            speed=pulled(line.drift_ppm, line.drift_uncertainty_ppm) if told else None,
            jumps=line.steps,
            timecode_offset_s=claimed,
        )
        pairing = self._less_delay(pairing)
        with Sound(recording) as own, Sound(clip) as other:
            pairing = replace(pairing, claps=claps(own, other, pairing))
        rival = found.rival_name if found.rival > RIVAL_SHARE * heard.evidence and not agrees else ""
        notes = sentences.pair_notes(pairing, self._settings, upside_down=heard.polarity < 0, rival=rival)
        return replace(pairing, notes=notes)

    def _claimed_pairing(self, k: int, claim: Claim, known: Trust) -> Pairing:
        """Return a pairing that rests on timecode alone."""
        clip, recording = self._clips[k], self._recordings[claim.recording]
        confidence = known.confidence
        both_sound = not (self._others[k].silent or self._own[claim.recording].silent)
        if both_sound and claim.overlap_s > STRETCH_ROWS / ROWS_PER_SECOND:
            # A minute of sound on both sides without anything in common speaks against it.
            confidence *= 0.5
        frame_s = float(1 / clip.picture_rate) if clip.picture_rate else _FRAME_S
        pairing = Pairing(
            recording,
            clip,
            claim.offset_s + known.error_s - self._settings.recorder_link_ms / 1000,
            frame_s,
            confidence=confidence,
            method="timecode",
            timecode_offset_s=claim.offset_s,
        )
        return replace(
            pairing, notes=sentences.timecode_only(pairing, known.agreed, known.tried, heard=both_sound)
        )

    def _less_delay(self, pairing: Pairing) -> Pairing:
        """Take out what sound took to the camera, where that is known."""
        known_s = self._settings.known_delay_s
        offset_s, claimed_s = pairing.offset_s, pairing.timecode_offset_s
        if (
            known_s is None
            and self._settings.exact_timecode
            and offset_s is not None
            and claimed_s is not None
        ):
            late_s = offset_s - claimed_s + self._settings.recorder_link_ms / 1000
            known_s = late_s if 0 <= late_s <= AGREE_S else None
        return pairing if known_s is None else replace(pairing, hidden_delay_s=known_s)


def _same(place: Place, found: _Found) -> bool:
    """Return whether a place is one that is known already."""
    time_s, lag_s = _anchor(place)
    return found.recording == place.recording and abs(found.heard.line.lag(time_s) - lag_s) < _SAME_S


def _anchor(place: Place) -> tuple[float, float]:
    """Return (time of the recording, lag) in the middle of a place."""
    middle_s = (place.stretch.start + place.stretch.stop) / 2 / ROWS_PER_SECOND
    lag_s = place.offset_rows / ROWS_PER_SECOND
    return middle_s - lag_s, lag_s


def _sketch(subject: Recording | Clip) -> Sketch | str:
    """Return the sketch of a subject, or a sentence why there is none."""
    try:
        with Sound(subject) as sound:
            return sketch(sound)
    except TakewellError as error:
        return str(error)
    except OSError as error:
        return f"{subject.name} cannot be read: {error.strerror or error}."

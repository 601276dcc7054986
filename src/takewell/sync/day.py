"""Which recording of a day belongs to which clip, and where?

In this order: every file is sketched, once. Where stamps claim an overlap the sound there is compared first. What is not
explained so is looked for along the whole day, by sketches, and the best places are compared by sound. Where sound cannot
tell, timecode places what it claims, as far as its other clips bear it out. A stamp that the sound contradicts is said to lie.

Conventions: see `values`. Files are read by blocks; what is kept of them is their sketches, 3 MB an hour and as much again
for the search.
"""

import os
from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from takewell.errors import TakewellError
from takewell.sync import sentences
from takewell.sync.claims import AGREE_S, Claim, Trust, claimed_offset_s, claims, trust
from takewell.sync.claps import claps
from takewell.sync.confidence import LEAST, LEAST_AGAINST_RIVALS, RIVAL_SHARE, sure
from takewell.sync.find import Finder, Found
from takewell.sync.search import STRETCH_ROWS
from takewell.sync.settings import Progress, SyncSettings
from takewell.sync.sketch import ROWS_PER_SECOND, Sketch, sketch
from takewell.sync.sound import Sound
from takewell.sync.speed import pulled
from takewell.sync.values import Clip, Pairing, Recording, SyncReport

_FRAME_S = 0.04

_T = TypeVar("_T", Recording, Clip)


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

    def report(self) -> SyncReport:
        """Do it all."""
        with self._pool:
            finder = Finder(
                self._recordings,
                self._clips,
                self._own,
                self._others,
                self._settings,
                self._pool,
                self._progress,
            )
            self._states = finder.find()
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

    def _heard_pairing(self, clip: Clip, found: Found) -> Pairing:
        recording, heard, line = self._recordings[found.recording], found.heard, found.heard.line
        confidence = sure(heard.evidence, [evidence for evidence, _ in found.rivals])
        near = [name for evidence, name in found.rivals if evidence > RIVAL_SHARE * heard.evidence]
        claimed = claimed_offset_s(recording, clip)
        agrees = claimed is not None and abs(claimed - line.offset_s) <= AGREE_S
        if agrees:
            confidence = sure(heard.evidence)
        if confidence < (LEAST_AGAINST_RIVALS if near and not agrees else LEAST):
            reason = sentences.undecided(recording, confidence, near)
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
            hidden_delay_bound_s=max(0.0, line.offset_s - claimed + _frame_s(clip))
            if agrees and claimed is not None
            else None,
        )
        pairing = self._less_delay(pairing)
        with Sound(recording) as own, Sound(clip) as other:
            pairing = replace(pairing, claps=claps(own, other, pairing))
        rival = near[0] if near and not agrees else ""
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
        frame_s = _frame_s(clip)
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


def _frame_s(clip: Clip) -> float:
    return float(1 / clip.picture_rate) if clip.picture_rate else _FRAME_S


def _sketch(subject: Recording | Clip) -> Sketch | str:
    """Return the sketch of a subject, or a sentence why there is none."""
    try:
        with Sound(subject) as sound:
            return sketch(sound)
    except TakewellError as error:
        return str(error)
    except OSError as error:
        return f"{subject.name} cannot be read: {error.strerror or error}."

"""What is each number of a track worth: how it was found, what limits it, why it is missing?

Sentences for people; keys are the field names of the measurement contract.
"""

from dataclasses import dataclass

from takewell.engine.results import TrackMeasurement
from takewell.units import SINE_CREST_DB

WORD_LENGTHS = {"uint8": 8, "int16": 16, "int24": 24, "int32": 32}

LRA_STABLE_S = 60.0
"""EBU Tech 3341, 2.4: the loudness range is unstable in the first minute."""

LEAST_FLOOR_S = 1.0
"""Quiet that a noise floor should rest on."""

NEAR_WORD_DB = 3.0

NOT_A_NUMBER = "no sample is a number"
MOVED = "the gain setting moved within the track; see passages"


@dataclass(frozen=True)
class Worth:
    """What `quality` needs to know beside the figures themselves."""

    length_s: float
    encoding: str
    blocks: int
    blocks_passed: int
    quiet_s: float
    tonal_floor: bool
    restless_floor: bool
    first_nonfinite_s: float | None
    at_rail: int
    moved: bool
    clip_gap_s: float
    speech_reason: str


def quality(track: TrackMeasurement, worth: Worth) -> dict[str, str]:
    """Return a sentence for each figure: how it was found, or why it is missing."""
    made = {
        "sample_peak_dbfs": "Largest sample, 1.0 = 0 dBFS.",
        "true_peak_dbtp": "ITU-R BS.1770-5 annex 2, read on a grid of 32 points a sample; "
        "within 0.03 dB for what lies under 0.45 of the sampling rate.",
        "rms_dbfs": "AES17: a full-scale sine reads 0 dBFS. Offset included.",
        "dc_offset_fs": "Mean of all samples.",
        "integrated_lufs": _integrated(track, worth),
        "loudness_range_lu": _range(track, worth),
        "momentary_max_lufs": _window(track.momentary_max_lufs, worth, "400 ms", 0.4),
        "short_term_max_lufs": _window(track.short_term_max_lufs, worth, "3 s", 3.0),
        "speech_level_dbfs": _speech(track, worth),
        "noise_floor_dbfs": _floor(track.noise_floor_dbfs, worth),
        "noise_floor_dbfs_a": _floor(track.noise_floor_dbfs_a, worth, " A-weighted (IEC 61672-1)."),
        "snr_db": _snr(track, worth),
        "samples_over_full_scale": _over(worth),
        "nonfinite_samples": _nonfinite(track, worth),
        "clips": "Three samples or more that differ by no more than one part in 10,000 (or dither), with a corner at "
        f"each end and nothing beyond them nearby; less than {worth.clip_gap_s:g} s apart they are one.",
        "passages": _passages(worth),
    }
    if track.sample_peak_dbfs is None:
        reason = "None: digital silence." if track.dc_offset_fs is not None else f"None: {_nothing(worth)}."
        made |= dict.fromkeys(("sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs"), reason)
        if track.dc_offset_fs is None:
            made["dc_offset_fs"] = reason
    return made


def limits(track: TrackMeasurement, worth: Worth) -> dict[str, str]:
    """Return what holds back each figure that is there but worth less than its decimals; nothing for the others."""
    found = {}
    if track.loudness_range_lu is not None and worth.length_s < LRA_STABLE_S:
        found["loudness_range_lu"] = (
            f"Unstable under 60 s (EBU Tech 3341), and the track has {worth.length_s:.1f} s."
        )
    for name in ("noise_floor_dbfs", "noise_floor_dbfs_a"):
        level = getattr(track, name)
        if level is not None and (said := _floor_limits(level, worth, weighted=name.endswith("_a"))):
            found[name] = said
    return found


def _floor_limits(level_dbfs: float, worth: Worth, *, weighted: bool) -> str:
    said = []
    if worth.quiet_s < LEAST_FLOOR_S:
        said.append("Too little quiet: the true floor may be lower.")
    if worth.restless_floor:
        said.append("No pause to rest in: what is quietest is still speech, and the true floor is lower.")
    bits = WORD_LENGTHS.get(worth.encoding)
    if bits is not None and not weighted and level_dbfs < word_noise_dbfs(bits) + NEAR_WORD_DB:
        said.append(
            f"Limited by the {bits}-bit word, whose dithered noise is {word_noise_dbfs(bits):.1f} dBFS."
        )
    if worth.tonal_floor:
        said.append("A steady tone makes up most of it.")
    return " ".join(said)


def _nothing(worth: Worth) -> str:
    return NOT_A_NUMBER if worth.length_s > 0 else "no samples"


def _integrated(track: TrackMeasurement, worth: Worth) -> str:
    if track.integrated_lufs is not None:
        return (
            f"ITU-R BS.1770-5, this channel alone as mono; {worth.blocks_passed} of {worth.blocks} blocks of 400 ms "
            "passed the gates."
        )
    if worth.blocks == 0:
        return f"None: {worth.length_s:.3f} s is shorter than one block of 400 ms."
    return "None: no block of 400 ms is louder than -70 LUFS."


def _range(track: TrackMeasurement, worth: Worth) -> str:
    if track.loudness_range_lu is None:
        short = worth.length_s < 3.0
        return (
            f"None: {worth.length_s:.3f} s is shorter than 3 s."
            if short
            else "None: nothing is louder than -70 LUFS."
        )
    return "EBU Tech 3342, a 3 s window every 100 ms."


def _window(value: float | None, worth: Worth, window: str, seconds: float) -> str:
    if value is not None:
        return f"Highest of {window} windows 10 ms apart (EBU Tech 3341)."
    return (
        f"None: {worth.length_s:.3f} s is shorter than {window}."
        if worth.length_s < seconds
        else "None: digital silence."
    )


def _speech(track: TrackMeasurement, worth: Worth) -> str:
    if track.speech_level_dbfs is not None:
        assert track.speech_activity is not None
        return (
            f"ITU-T P.56 method B, as AES17 dBFS ({SINE_CREST_DB:.2f} dB above its dBov), active "
            f"{100 * track.speech_activity:.0f} % of the time; any sound counts as speech."
        )
    return f"None: {MOVED if worth.moved else worth.speech_reason}."


def _floor(value: float | None, worth: Worth, weighted: str = "") -> str:
    if value is None:
        return f"None: {MOVED}." if worth.moved else "None: nothing but digital silence."
    return f"Mean of the quietest {worth.quiet_s:.1f} s of 100 ms steps, digital silence left out.{weighted}"


def word_noise_dbfs(bits: int) -> float:
    """Return the noise of a word of `bits` with triangular dither, in AES17 dBFS: 4.77 dB over -(6.02 N + 1.76)."""
    return -(6.0206 * bits + 1.7609) + 4.7712


def _snr(track: TrackMeasurement, worth: Worth) -> str:
    if track.snr_db is not None:
        return "Speech level less unweighted noise floor."
    return f"None: {MOVED}." if worth.moved else "None: there is no speech level or no floor to take it from."


def _over(worth: Worth) -> str:
    if worth.encoding.startswith("float"):
        return "Samples beyond 1.0; they are whole in a float file."
    return f"An integer file holds nothing beyond full scale; {worth.at_rail} samples stand at it."


def _nonfinite(track: TrackMeasurement, worth: Worth) -> str:
    if not track.nonfinite_samples:
        return "Every sample is a number."
    assert worth.first_nonfinite_s is not None
    return (
        f"Samples that are no number, infinite or beyond +760 dBFS, the first within 0.1 s of "
        f"{worth.first_nonfinite_s:.1f} s; they are left out of every sum."
    )


def _passages(worth: Worth) -> str:
    if worth.moved:
        return "The gain setting moved: level and floor step together where a new passage begins (to 10 ms in a pause; within a word perhaps a sound early or late)."
    return "One: level and floor never step together."

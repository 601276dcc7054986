"""Which chain is asked about: a recorder's input from the kit, or one in a few words?

A chain in words is a list of ``key=value`` with commas: ``gain=12,encoding=int24``. With ``input=PROFILE`` it is an
input of the kit at a gain setting, and what drives it is the level the recording had at its own input (so that of
the recording has to be known); the stages are those the plan makes. Without, ``gain`` is relative to the file as
it is, and the stages stand on the file's own scale.
"""

import math
from pathlib import Path
from typing import Literal

from takewell.errors import SettingError
from takewell.kit import RecorderInput, find_profile
from takewell.plan.chain import Chain, FinerConverter, Limiter, Stage, gain_through
from takewell.plan.noise import quantisation_noise_dbfs_a
from takewell.plan.stages import BITS, Source, recorder_stages
from takewell.whatif.values import NamedChain

PLUGGED_IN = Source(150.0, noise_known=True)
"""What drove the recording: its noise is in it already."""

ENCODINGS = ("int16", "int24", "int32", "float32", "float64")
LIMITERS = ("none", "analogue", "deferred")
OF_AN_INPUT = ("input", "gain", "encoding", "pad")
IN_WORDS = (
    "gain", "encoding", "clip", "noise", "limiter", "threshold", "ratio", "range", "attack", "release",
    "second_offset", "second_noise", "handover",
)  # fmt: skip

_DEFAULTS = {"threshold": -6.0, "ratio": 10.0, "range": 20.0, "attack": 1.0, "release": 200.0}


def parse_chain(
    words: str, rate: int, *, full_scale_dbu: float | None = None, beside: Path | None = None
) -> NamedChain:
    """Return the chain that words describe.

    Parameters
    ----------
    words : str
        ``key=value`` with commas. For an input of the kit: `input`, `gain` (as set), `encoding`, `pad` (dB). Otherwise `gain` (dB
        on the file), `encoding`, `clip` (dBFS at which the converter gives way; 0 for whole-number files, nowhere for float),
        `noise` (dBFS A, added at the converter), `limiter` with `threshold` (dBFS), `ratio`,
        `range` (dB), `attack`, `release` (ms), and, for two converters, `second_offset` (dB), `second_noise`
        (dBFS A of the finer one), `handover` (dBFS).
    rate : int
        Sampling rate in Hz.
    full_scale_dbu : float, optional
        Level at the input that gave 0 dBFS in the recording; needed with `input`.
    beside : path, optional
        Where profiles are looked for first.

    Raises
    ------
    SettingError
        If a word is not understood, a value is wrong, or the recording's own level is needed and not known.
    FileError
        If a profile cannot be read.
    """
    given = _split(words)
    accepted = OF_AN_INPUT if "input" in given else IN_WORDS
    for key in given:
        if key not in accepted:
            raise SettingError(f"chain '{words}': {key} is not known here; {', '.join(accepted)} are.")
    encoding = given.pop("encoding", None)
    if encoding is not None and encoding not in ENCODINGS:
        raise SettingError(f"chain '{words}': encoding {encoding} is not one of {', '.join(ENCODINGS)}.")
    if "input" in given:
        if full_scale_dbu is None:
            raise SettingError(
                f"chain '{words}': the level at the recorder's input is needed to drive another input; say how it was recorded."
            )
        profile = find_profile(given.pop("input"), RecorderInput, beside)
        gain_db, pad_db = (_number(words, given, key, 0.0) for key in ("gain", "pad"))
        stages = recorder_stages(profile, gain_db, rate, source=PLUGGED_IN, pad_db=pad_db, encoding=encoding)
        return NamedChain(
            f"{profile.name} at {gain_db:+g} dB{f', {encoding}' if encoding else ''}", stages, full_scale_dbu
        )
    kind = given.pop("limiter", "none")
    if kind not in LIMITERS:
        raise SettingError(f"chain '{words}': limiter {kind} is not one of {', '.join(LIMITERS)}.")
    return NamedChain(words.replace(",", ", "), _in_words(words, given, kind, encoding or "int24", rate))


def recorded_full_scale_dbu(words: str, rate: int, *, beside: Path | None = None) -> float:
    """Return the level at the input that gave 0 dBFS, of ``input=PROFILE,gain=DB`` or ``full_scale=DBU``.

    Raises
    ------
    SettingError
        If the words are not understood.
    FileError
        If the profile cannot be read.
    """
    given = _split(words)
    if set(given) == {"full_scale"}:
        return _number(words, given, "full_scale", 0.0)
    if "input" not in given or set(given) - {"input", "gain", "pad"}:
        raise SettingError(
            f"'{words}' does not say how it was recorded; input=PROFILE,gain=DB or full_scale=DBU does."
        )
    profile = find_profile(given["input"], RecorderInput, beside)
    gain_db, pad_db = (_number(words, given, key, 0.0) for key in ("gain", "pad"))
    return -gain_through(recorder_stages(profile, gain_db, rate, source=PLUGGED_IN, pad_db=pad_db))


def _in_words(words: str, given: dict[str, str], kind: str, encoding: str, rate: int) -> Chain:
    gain_db = _number(words, given, "gain", 0.0)
    noise_db_a = _number(words, given, "noise", -math.inf)
    values = {key: _number(words, given, key, default) for key, default in _DEFAULTS.items()}
    if values["ratio"] < 1 or min(values["range"], values["attack"], values["release"]) < 0:
        raise SettingError(
            f"chain '{words}': a limiter's ratio is 1 or more, its range and times not below zero."
        )
    limiter = None
    if kind == "analogue" or kind == "deferred":
        which: Literal["analogue", "deferred"] = "analogue" if kind == "analogue" else "deferred"
        limiter = Limiter(
            which, values["threshold"], values["ratio"], values["range"], values["attack"], values["release"]
        )
    deferred_db = values["range"] if kind == "deferred" else 0.0
    finer = None
    if "handover" in given:
        handover = _number(words, given, "handover", 0.0)
        offset = _number(words, given, "second_offset", 20.0)
        if handover > -offset:
            raise SettingError(
                f"chain '{words}': the finer converter is full at {-offset:g} dBFS, below the handover."
            )
        finer = FinerConverter(handover, _number(words, given, "second_noise", noise_db_a - offset))
    bits = BITS.get(encoding)
    limit_db = _number(words, given, "clip", 0.0 if bits else math.inf)
    preamplifier = Stage("gain", "preamplifier", "dBFS", gain_db - deferred_db)
    converter = Stage(
        "converter",
        "converter",
        "dBFS",
        0.0,
        limit_db,
        noise_db_a,
        limiter if kind == "analogue" else None,
        finer,
    )
    file = Stage(
        f"file, {bits} bits" if bits else "file, float", "file", "dBFS", deferred_db,
        0.0 if bits else math.inf,
        quantisation_noise_dbfs_a(bits, rate) if bits else -math.inf,
        limiter if kind == "deferred" else None,
        bits=bits,
    )  # fmt: skip
    return preamplifier, converter, file


def _split(words: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for word in words.split(","):
        key, equals, value = word.strip().partition("=")
        if not equals or not key or not value:
            raise SettingError(
                f"chain '{words}': '{word.strip()}' is not key=value, such as gain=12,encoding=int24."
            )
        if key in found:
            raise SettingError(f"chain '{words}': {key} is given twice.")
        found[key] = value.strip()
    return found


def _number(words: str, given: dict[str, str], key: str, default: float) -> float:
    if key not in given:
        return default
    try:
        value = float(given[key])
    except ValueError:
        raise SettingError(f"chain '{words}': {key} = {given[key]} is not a number.") from None
    if not math.isfinite(value) or abs(value) > 10_000:
        raise SettingError(f"chain '{words}': {key} = {given[key]} is out of reach.")
    return value

"""What is known of each piece of equipment, in the words and units of its data sheet.

Conventions: levels of inputs and outputs are those of a sine (an RMS), so "0 dBFS" is a full-scale sine as in
AES17; weighted levels say so (``_db_a``, IEC 61672-1 A). A field holds the value in force; where the bench
measured it, `measured` remembers that it did, when and from which file, and what the data sheet had said.
"""

# ruff: noqa: RUF009 - the calls give dataclass fields, which is where the defaults lie.
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from takewell.kit.fields import date, flag, number, pairs, text, word, words

Pairs = tuple[tuple[float, float], ...]
LimiterKind = Literal["none", "analogue", "deferred"]
Weighting = Literal["A", "none", "CCIR-RMS"]


@dataclass(frozen=True)
class Measurement:
    """A value the bench found, and what it replaced."""

    value: float | Pairs
    date: str
    file: str
    method: str = ""
    uncertainty: float | None = None
    limited_by_generator: bool = False
    """Whether the player's own noise or distortion is what was seen: the device is at least this good."""
    data_sheet: float | Pairs | None = None


@dataclass(frozen=True)
class MeasurementFields:
    """How a measurement is written under ``[measured.FIELD]``, besides its value."""

    date: str = date()
    file: str = text()
    method: str = text("")
    uncertainty: float | None = number(0, default=None)
    limited_by_generator: bool = flag(False)


@dataclass(frozen=True, kw_only=True)
class Profile:
    """What every profile has."""

    name: str = text()
    note: str = text("")
    measured: Mapping[str, Measurement] = field(default_factory=dict)

    def provenance(self, field_name: str) -> str:
        """Return where a field's value comes from: ``data sheet``, or ``measured 2025-01-30, bench.json``."""
        found = self.measured.get(field_name)
        return "data sheet" if found is None else f"measured {found.date}, {found.file}"


@dataclass(frozen=True, kw_only=True)
class Microphone(Profile):
    """A microphone, up to its connector."""

    transducer: str = word("condenser", "electret", "dynamic", "ribbon")
    pattern: str = word(
        "omni", "wide_cardioid", "cardioid", "supercardioid", "hypercardioid", "figure_of_eight", "shotgun"
    )
    sensitivity_mv_pa: float = number(0.01, 1000)
    self_noise_db_a: float | None = number(0, 80, None)
    """Equivalent noise level; left out for dynamic and ribbon microphones, whose noise is that of their resistance."""
    max_spl_db: float = number(80, 200)
    max_spl_thd_percent: float = number(0.01, 50, 1.0)
    source_impedance_ohm: float = number(0, 100_000)
    phantom_v: float = number(0, 52, 0.0)
    """Supply the microphone asks for: 48, 24, 12, or 0 for none (plug-in power of a transmitter included)."""
    current_ma: float = number(0, 15, 0.0)
    balanced: bool = flag(True)
    directivity_index_db: float | None = number(0, 20, None)
    """How much less of a diffuse field it hears than an omni of the same sensitivity; from the pattern where not given."""
    off_axis: Pairs | None = pairs(None)
    """(degrees, dB) at 1 kHz, from the polar plot; from the pattern where not given."""


@dataclass(frozen=True, kw_only=True)
class Transmitter(Profile):
    """A radio link: transmitter input to receiver output."""

    gain_min_db: float = number(-60, 60)
    gain_max_db: float = number(-60, 80)
    gain_step_db: float = number(0, 20, 1.0)
    full_scale_dbv: float = number(-80, 20)
    """Level at the input that drives the link to its limit at 0 dB of transmitter gain."""
    dynamic_range_db_a: float = number(40, 140)
    limiter: LimiterKind = word("none", "analogue", default="none")
    limiter_threshold_dbfs: float = number(-60, 0, -6.0)
    limiter_ratio: float = number(1, 1000, 10.0)
    limiter_range_db: float = number(0, 60, 0.0)
    limiter_attack_ms: float = number(0, 1000, 1.0)
    limiter_release_ms: float = number(0, 10_000, 200.0)
    output_dbu: float = number(-80, 30)
    """Level at the receiver's output when the link is at its limit."""
    output_impedance_ohm: float = number(0, 10_000, 150.0)
    latency_ms: float = number(0, 100, 0.0)


@dataclass(frozen=True, kw_only=True)
class RecorderInput(Profile):
    """One input of a recorder or camera: preamplifier, limiter, converter or converters, word in the file."""

    gain_min_db: float = number(-80, 100)
    gain_max_db: float = number(-80, 100)
    gain_step_db: float = number(0, 40, 1.0)
    gain_place: str = word("before_converter", "after_converter", default="before_converter")
    """Whether the gain that is set works ahead of the converter or, as in recorders with two converters, behind it."""
    fixed_gain_db: float = number(-80, 100, 0.0)
    """Gain ahead of the converter that nobody sets; only with `gain_place` after the converter."""
    ein_dbu: float = number(-150, -40)
    """Equivalent input noise, the Johnson noise of the source resistor included."""
    ein_source_ohm: float = number(0, 10_000, 150.0)
    ein_weighting: Weighting = word("A", "none", "CCIR-RMS", default="none")
    """Weighting of `ein_dbu`; none is 20 Hz to 20 kHz."""
    input_impedance_ohm: float = number(100, 10_000_000, 3000.0)
    max_input: Pairs = pairs()
    """(gain in dB, dBu): highest level the input takes before the preamplifier gives way, at one or more gains."""
    full_scale_dbu: float = number(-60, 40)
    """Level behind the preamplifier that reads 0 dBFS in the (coarser) converter."""
    converter_range_db_a: float = number(60, 160)
    """Full scale over noise, A-weighted, of the converter alone (of the coarser one where there are two)."""
    converters: float = number(1, 2, 1.0)
    second_offset_db: float = number(0, 80, 0.0)
    """How much more gain the finer converter has than the coarser one."""
    second_range_db_a: float | None = number(60, 160, None)
    """Range of the finer converter, from its own full scale; as the coarser one's where not given."""
    handover_dbfs: float | None = number(-120, 0, None)
    """Level, on the coarser converter's scale, above which the coarser one is in use."""
    handover_step_db: float | None = number(-20, 20, None)
    limiter: LimiterKind = word("none", "analogue", "deferred", default="none")
    limiter_threshold_dbfs: float = number(-60, 0, -3.0)
    limiter_ratio: float = number(1, 1000, 10.0)
    limiter_range_db: float = number(0, 60, 0.0)
    """What an analogue limiter takes away at most; what a deferred-gain limiter leaves for after the converter."""
    limiter_attack_ms: float = number(0, 1000, 1.0)
    limiter_release_ms: float = number(0, 10_000, 200.0)
    encoding: str = word("int16", "int24", "int32", "float32", "float64")
    phantom_v: float = number(0, 52, 0.0)
    phantom_max_ma: float = number(0, 20, 10.0)
    # What only a bench tells; kept for comparing recorders, the plan does without.
    ein_dbu_a: float | None = number(-160, -40, None)
    ein_dbu_ccir_rms: float | None = number(-150, -40, None)
    dynamic_range_db: float | None = number(0, 180, None)
    """AES17: CCIR-RMS residual at −60 dBFS."""
    thd_n_db: float | None = number(-160, 0, None)
    crosstalk_db: float | None = number(-200, 0, None)
    frequency_response: Pairs | None = pairs(None)
    """(Hz, dB re 997 Hz)."""
    thd_n_by_level: Pairs | None = pairs(None)
    """(dBFS, dB)."""
    gain_error: Pairs | None = pairs(None)
    """(gain as set in dB, error in dB)."""
    recovery_ms: float | None = number(0, 100_000, None)
    delay_samples: float | None = number(-1_000_000, 1_000_000, None)
    polarity: float | None = number(-1, 1, None)


@dataclass(frozen=True, kw_only=True)
class Recorder(Profile):
    """A recorder as a whole: what it draws, how it cuts files."""

    power_w: float = number(0, 500)
    """Drawn while recording, inputs' phantom supplies not included."""
    standby_w: float | None = number(0, 500, None)
    phantom_efficiency_percent: float = number(10, 100, 60.0)
    """How much of what the phantom converter draws reaches the microphones."""
    voltage_min_v: float | None = number(0, 60, None)
    tracks_max: float = number(1, 512)
    pre_record_s: float = number(0, 120, 0.0)
    split: str = word("4gib", "rf64", default="rf64")
    """Whether files are cut before 4 GiB, or go on as RF64."""
    card_slots: float = number(1, 8, 1.0)
    minutes_kept_after_power_cut: float | None = number(0, 600, None)


@dataclass(frozen=True, kw_only=True)
class Load(Profile):
    """Anything else that draws power: a receiver, a display, a light, a transmitter on its own cells."""

    power_w: float = number(0, 500)
    standby_w: float | None = number(0, 500, None)


@dataclass(frozen=True, kw_only=True)
class Battery(Profile):
    """A pack, or a set of cells that is changed together."""

    chemistry: str = word("li-ion", "li-metal", "lifepo4", "nimh", "alkaline", "lead")
    energy_wh: float = number(0.1, 2000)
    voltage_v: float = number(1, 60)
    usable_percent: float = number(10, 100, 90.0)
    """What the device takes before it switches off."""
    health_percent: float = number(10, 100, 100.0)
    """What is left of the first capacity."""
    self_heating_k: float = number(0, 40, 0.0)
    """How much warmer than the air it runs in its compartment under load."""
    cold: Pairs = pairs(((20.0, 100.0),))
    """(cell temperature in °C, percent of the energy at 20 °C)."""
    lithium_g: float | None = number(0, 100, None)
    """Lithium content of primary lithium cells, in grams a cell."""


@dataclass(frozen=True, kw_only=True)
class Card(Profile):
    """A recording medium."""

    size_gb: float = number(0.1, 100_000)
    """Decimal gigabytes, as printed on it."""
    file_system: str = word("fat32", "exfat")
    speed_class: tuple[str, ...] = words(
        "C2", "C4", "C6", "C10", "U1", "U3", "V6", "V10", "V30", "V60", "V90", default=()
    )
    write_mb_s: float | None = number(0.1, 20_000, None)
    """Sustained; the class's minimum where not given."""
    read_mb_s: float = number(0.1, 20_000, 40.0)


@dataclass(frozen=True, kw_only=True)
class Clock(Profile):
    """The oscillator a device counts time with."""

    ppm: float = number(0, 1000)
    """Largest error over the stated temperatures, either way."""
    temperature_low_c: float = number(-60, 40, 0.0)
    temperature_high_c: float = number(0, 100, 40.0)
    error_ppm: float | None = number(-1000, 1000, None)
    """Error found by measurement, positive when it runs fast."""


KINDS: dict[str, type[Profile]] = {
    "microphone": Microphone,
    "transmitter": Transmitter,
    "input": RecorderInput,
    "recorder": Recorder,
    "load": Load,
    "battery": Battery,
    "card": Card,
    "clock": Clock,
}
"""The word under ``kind`` in a profile, and what it is read into."""

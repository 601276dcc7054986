"""Which takes does the invented day hold?

The story, the people and the places are described in ``docs/demo.md``. Places are metres from a corner of the room;
input gains are chosen as a recordist would, so that speech lies between -24 and -22 dBFS (AES17) on its own lavalier.
Timecode runs at 25 frames a second.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from takewell.demo.faults import (
    Dead,
    Dropouts,
    Fault,
    GainMoved,
    Hiss,
    Hum,
    Muted,
    NeverFinalised,
    NotNumbers,
    Offset,
    Shouted,
    TooLow,
)
from takewell.demo.room import Microphone, Place, Room
from takewell.demo.sound_field import SetUp
from takewell.roll.values import TakeKind

TITLE = "Hundred Winters"
TAPE = "R03"
DATE = "2025-02-11"
FRAMES_PER_SECOND = "25/1"
LINE_UP_HZ = 1000.0
LINE_UP_DBFS = -20.0

SUPERCARDIOID, CARDIOID = 0.37, 0.5
MixGains = Mapping[str, tuple[float, float]]
"""Fader and pan of the rough mix: microphone to dB in (left, right)."""


@dataclass(frozen=True)
class TakePlan:
    """One take as it is to be recorded."""

    scene: str
    take: str
    set_up: SetUp | None
    """None for line-up tone."""
    starts: str
    """Timecode of the first sample."""
    length_s: float
    parts: str
    """Who speaks after whom, over and over; in takes with parts the recordist announces the take first."""
    mix: MixGains
    note: str
    kind: TakeKind = "take"
    safeties: tuple[str, ...] = ()
    """Microphones with a 24-bit safety copy."""
    worn_by: Mapping[str, str] = field(default_factory=dict)
    """Microphone to the voice it is there for."""
    pause_s: tuple[float, float] = (0.35, 1.2)
    faults: tuple[Fault, ...] = ()
    pieces_s: tuple[float, ...] = ()
    """Where the recorder went on in a new file."""
    circled: bool = False
    natural: tuple[str, ...] = ()
    """Kinds that come with this set-up and that nobody planted."""

    @property
    def id(self) -> str:
        """Scene and take."""
        return f"{self.scene}-{self.take}"


def _lavalier(name: str, mouth_m: Place) -> Microphone:
    """Return a lavalier on the chest; the body shades what does not come from above and in front."""
    x, y, z = mouth_m
    return Microphone(f"Lav {name.title()}", (x, y - 0.07, z - 0.21), 98.5, mouth_m, 0.8, 22.0)


_KITCHEN: Mapping[str, Place] = MappingProxyType(
    {"mira": (1.3, 2.0, 1.15), "tobin": (2.5, 2.15, 1.2), "perrin": (1.9, 0.7, 1.2), "edda": (3.6, 3.1, 1.3)}
)
KITCHEN = SetUp(
    "kitchen",
    Room((4.2, 3.6, 2.5), 0.35, 28.0),
    _KITCHEN,
    (
        Microphone("Boom", (1.85, 1.5, 1.75), 90.0, (1.9, 2.1, 1.15), SUPERCARDIOID, 14.0),
        _lavalier("mira", _KITCHEN["mira"]),
        _lavalier("tobin", _KITCHEN["tobin"]),
    ),
)

_HALL: Mapping[str, Place] = MappingProxyType(
    {
        "mira": (2.9, 3.3, 1.15),
        "tobin": (3.9, 3.55, 1.2),
        "yusa": (4.9, 3.55, 1.15),
        "anselm": (5.9, 3.3, 1.2),
        "perrin": (7.6, 2.9, 1.2),
        "edda": (0.9, 0.9, 1.3),
    }
)
HALL = SetUp(
    "hall",
    Room((9.0, 6.0, 3.6), 0.6, 31.0),
    _HALL,
    (
        *(_lavalier(name, _HALL[name]) for name in ("mira", "tobin", "yusa", "anselm")),
        Microphone("Boom", (4.4, 2.85, 2.05), 88.0, (4.4, 3.5, 1.2), SUPERCARDIOID, 14.0),
        Microphone("Pair L", (4.3, 1.2, 1.8), 87.0, (3.2, 3.4, 1.2), CARDIOID, 16.0),
        Microphone("Pair R", (4.5, 1.2, 1.8), 87.0, (5.6, 3.4, 1.2), CARDIOID, 16.0),
    ),
)

_INSTRUMENTS: Mapping[str, Place] = MappingProxyType(
    {"mira": (1.2, 1.7, 1.55), "anselm": (2.2, 1.9, 1.65), "perrin": (3.0, 0.8, 1.5), "edda": (3.0, 2.6, 1.3)}
)
INSTRUMENT_ROOM = SetUp(
    "instrument room",
    Room((3.4, 3.0, 2.6), 0.4, 30.0),
    _INSTRUMENTS,
    (
        Microphone("Boom", (1.65, 1.2, 2.15), 92.0, (1.7, 1.8, 1.6), SUPERCARDIOID, 14.0),
        _lavalier("mira", _INSTRUMENTS["mira"]),
        _lavalier("anselm", _INSTRUMENTS["anselm"]),
        Microphone("Pair L", (1.6, 0.35, 1.4), 91.0, (0.9, 1.8, 1.5), CARDIOID, 16.0),
        Microphone("Pair R", (1.8, 0.35, 1.4), 91.0, (2.5, 1.8, 1.5), CARDIOID, 16.0),
    ),
)

_KITCHEN_MIX: MixGains = MappingProxyType(
    {"Boom": (-3.0, -3.0), "Lav Mira": (-1.0, -4.0), "Lav Tobin": (-4.0, -1.0)}
)
_HALL_MIX: MixGains = MappingProxyType(
    {
        "Lav Mira": (-2.0, -7.0),
        "Lav Tobin": (-3.0, -5.0),
        "Lav Yusa": (-5.0, -3.0),
        "Lav Anselm": (-7.0, -2.0),
        "Boom": (-4.0, -4.0),
        "Pair L": (-8.0, -30.0),
        "Pair R": (-30.0, -8.0),
    }
)
_ROOM_MIX: MixGains = MappingProxyType(
    {
        "Boom": (-2.0, -2.0),
        "Lav Mira": (-1.0, -4.0),
        "Lav Anselm": (-4.0, -1.0),
        "Pair L": (-8.0, -30.0),
        "Pair R": (-30.0, -8.0),
    }
)
_KITCHEN_LAVS = MappingProxyType({"Lav Mira": "mira", "Lav Tobin": "tobin"})
_HALL_LAVS = MappingProxyType({f"Lav {name.title()}": name for name in ("mira", "tobin", "yusa", "anselm")})
_ROOM_LAVS = MappingProxyType({"Lav Mira": "mira", "Lav Anselm": "anselm"})
_KITCHEN_TWINS = ("Boom", "Lav Mira", "Lav Tobin")

_OPEN_MICROPHONES = ("spill", "delay", "comb_filtering", "off_mic", "reverberant")
_FADER_DOWN = (*_OPEN_MICROPHONES, "mix_lacks_track")


def _without(mix: MixGains, *names: str) -> MixGains:
    """Return the mix with some faders down."""
    return MappingProxyType({name: gains for name, gains in mix.items() if name not in names})


TAKES = (
    TakePlan(
        "LINEUP",
        "1",
        None,
        "08:41:30:00",
        12.0,
        "",
        {},
        "Line-up tone 1 kHz at -20 dBFS",
        kind="tone",
    ),
    TakePlan(
        "10A",
        "1",
        KITCHEN,
        "09:12:04:05",
        64.0,
        "perrin mira mira tobin perrin mira tobin mira tobin",
        _KITCHEN_MIX,
        "Kitchen. Mira on the readings, Tobin on the roof. Good.",
        safeties=_KITCHEN_TWINS,
        worn_by=_KITCHEN_LAVS,
        circled=True,
        natural=_OPEN_MICROPHONES,
    ),
    TakePlan(
        "10A",
        "2",
        KITCHEN,
        "09:16:40:11",
        66.0,
        "perrin mira tobin mira perrin mira mira! mira! mira! tobin mira",
        _KITCHEN_MIX,
        "Mira acts out the storm, much louder than rehearsed. Check the 24-bit tracks.",
        safeties=_KITCHEN_TWINS,
        worn_by=_KITCHEN_LAVS,
        faults=(
            Shouted("Lav Mira", 7, 9, in_mix=True),
            Shouted("Boom", 7, 9),
            # Across the table it may or may not reach full scale, as the voices fall.
            Shouted("Lav Tobin", 7, 9),
        ),
        natural=_OPEN_MICROPHONES,
    ),
    TakePlan(
        "10B",
        "1",
        KITCHEN,
        "09:31:12:00",
        82.0,
        "perrin mira mira tobin mira mira mira tobin mira mira mira tobin mira mira tobin mira mira",
        _without(_KITCHEN_MIX, "Lav Mira"),
        "Hit the gain of Lav Mira twice while changing gloves. Out of the mix.",
        safeties=_KITCHEN_TWINS,
        worn_by=_KITCHEN_LAVS,
        faults=(GainMoved("Lav Mira", (((5, 1.5), -60.0), ((9, 1.5), 60.0), ((14, 0.45), 0.0))),),
        natural=_FADER_DOWN,
    ),
    TakePlan(
        "10",
        "WT1",
        KITCHEN,
        "09:44:00:00",
        22.0,
        "mira mira mira mira",
        _KITCHEN_MIX,
        "Wild track: the keeper's lines, close.",
        kind="wild",
        safeties=_KITCHEN_TWINS,
        worn_by={"Lav Mira": "mira"},
        natural=_OPEN_MICROPHONES,
    ),
    TakePlan(
        "10",
        "RT1",
        KITCHEN,
        "09:46:20:00",
        20.0,
        "",
        _KITCHEN_MIX,
        "Room tone, kitchen.",
        kind="room_tone",
        safeties=_KITCHEN_TWINS,
    ),
    TakePlan(
        "20A",
        "1",
        HALL,
        "11:05:00:00",
        92.0,
        "perrin mira tobin anselm yusa tobin perrin yusa mira anselm",
        _without(_HALL_MIX, "Lav Yusa", "Lav Tobin"),
        "Panel. Hum on Lav Yusa (projector supply), radio hits on Lav Tobin: both out of the mix.",
        safeties=tuple(_HALL_LAVS),
        worn_by=_HALL_LAVS,
        pause_s=(-0.35, 0.8),
        faults=(
            Hum("Lav Yusa", 49.97, -38.0),
            Dropouts("Lav Tobin", ((3, 0.31), (6, 0.52), (6, 0.78)), 0.08),
        ),
        natural=_FADER_DOWN,
    ),
    TakePlan(
        "20A",
        "2",
        HALL,
        "11:09:48:18",
        90.0,
        "perrin yusa anselm mira tobin anselm yusa perrin tobin mira",
        _without(_HALL_MIX, "Lav Anselm", "Pair L", "Pair R"),
        "Panel, second half. Pair R cable off. Pressed mute on Lav Anselm by mistake. New file twice on the way.",
        safeties=tuple(_HALL_LAVS),
        worn_by=_HALL_LAVS,
        pause_s=(-0.35, 0.8),
        faults=(Muted("Lav Anselm", 20.0, 38.0), Dead("Pair R")),
        pieces_s=(32.0, 64.0),
        circled=True,
        natural=_FADER_DOWN,
    ),
    TakePlan(
        "20",
        "RT1",
        HALL,
        "11:16:10:00",
        16.0,
        "",
        _HALL_MIX,
        "Room tone, hall.",
        kind="room_tone",
        safeties=tuple(_HALL_LAVS),
    ),
    TakePlan(
        "30A",
        "1",
        INSTRUMENT_ROOM,
        "14:20:33:07",
        52.0,
        "mira anselm mira anselm perrin anselm mira",
        _without(_ROOM_MIX, "Lav Mira", "Lav Anselm"),
        "Instrument room. Lav Anselm at the end of its range, Lav Mira's gain left at the bottom. Boom is good.",
        safeties=tuple(_ROOM_LAVS),
        worn_by=_ROOM_LAVS,
        faults=(Hiss("Lav Anselm", -32.0), TooLow("Lav Mira", -42.0)),
        natural=_FADER_DOWN,
    ),
    TakePlan(
        "30A",
        "2",
        INSTRUMENT_ROOM,
        "14:24:05:22",
        40.0,
        "mira anselm mira perrin anselm",
        _ROOM_MIX,
        "Battery fell out at the end.",
        safeties=tuple(_ROOM_LAVS),
        worn_by=_ROOM_LAVS,
        faults=(NeverFinalised(),),
        natural=_OPEN_MICROPHONES,
    ),
    TakePlan(
        "30B",
        "1",
        INSTRUMENT_ROOM,
        "14:37:50:00",
        36.0,
        "perrin mira anselm mira mira anselm",
        _without(_ROOM_MIX, "Lav Mira", "Pair L", "Pair R"),
        "Spare recorder battery. Converter of Pair L drifts.",
        safeties=tuple(_ROOM_LAVS),
        worn_by=_ROOM_LAVS,
        faults=(NotNumbers("Lav Mira", ((2, 0.4), (4, 0.6)), 37), Offset("Pair L", 0.012)),
        natural=_FADER_DOWN,
    ),
)

"""Which jobs does the page offer, and which command line is each?

Conventions: a job is a command with blanks to fill in; a blank is an argument or an option of that command. What is
listed in `OF_A_ROLL` stands on the roll's jobs screen, in that order; adding a command there is all it takes. Places are
checked against the allowed folders before anything is run.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from takewell.errors import SettingError

Takes = Literal["place", "places", "words", "number", "choice", "tick"]
MOST_PLACES = 200
"""Places in one blank."""


@dataclass(frozen=True)
class Blank:
    """Something to fill in: the option it becomes (empty: an argument), its label, and what it takes."""

    name: str
    option: str
    label: str
    takes: Takes
    needed: bool = False
    hint: str = ""
    choices: tuple[str, ...] = ()
    usual: str = ""


ROLL = "{roll}"
"""Where the roll's folder stands in a command line."""


@dataclass(frozen=True)
class Offer:
    """A job: the words of its command, its name, what it does in a sentence, and the blanks that go behind those words."""

    command: tuple[str, ...]
    name: str
    says: str
    blanks: tuple[Blank, ...] = ()

    @property
    def word(self) -> str:
        """What tells this job from others in a form."""
        return "-".join(part.lstrip("-") for part in self.command if part != ROLL)


TAKE = Blank(
    "take", "--take", "Only take", "words", hint="The take’s id as on the day sheet; all takes if left empty."
)
LAYOUT = Blank("layout", "--layout", "Layout", "choice", choices=("mono", "stereo"), usual="mono")

OF_A_ROLL = (
    Offer(("examine", ROLL), "Examine the day", "Says what is good, what only looks ruined, what is lost, and where."),
    Offer(("level", ROLL), "Propose levels", "One gain for every passage; what you decided yourself stays.", (TAKE,)),
    Offer(("level", ROLL, "--render"), "Write levelled copies", "Renders the moves into new files; the originals stay as they are.", (TAKE,)),
    Offer(("mend", ROLL), "Mend damaged tracks", "Joins what is damaged from another track with the same sound, as a new file.", (TAKE,)),
    Offer(("mix", ROLL), "Mix the day", "The microphones of each take share one gain.", (TAKE, LAYOUT)),
    Offer(("sync", ROLL), "Line up with pictures", "Which recording belongs to which clip, where it lies on it, and how the clocks drift.", (
        Blank("clips", "--with", "Camera files, or folders of them", "places", needed=True, hint="One a line."),
        Blank("to", "--to", "Folder for synced files", "place", hint="Each pair as a file that begins and ends with its clip, a timeline and an edit list; nothing is written if left empty."),
        Blank("correct", "--correct", "Take the drift out of the synced files", "tick"),
        TAKE,
    )),
    Offer(("report", ROLL), "Write the sound report", "As PDF, HTML and CSV, into takewell/report in the roll."),
    Offer(("verify", ROLL), "Verify the roll", "Reads every file and holds it against the manifest."),
    Offer(("takes", ROLL), "List the takes", "Every take with its files and tracks, as text."),
    Offer(("plan", "--into", ROLL), "Store the plan", "What the files should read, for the examination to hold the day against.", (
        Blank("day", "", "The day’s plan", "place", needed=True, hint="A TOML file; the screen Plan makes one."),
    )),
    Offer(("whatif",), "What if", "The same recording through another gain, word length or limiter.", (
        Blank("file", "", "Recording", "place", needed=True, hint="A float file, such as one of this roll."),
        Blank("chain", "--chain", "Chain", "words", needed=True, usual="gain=12,encoding=int24", hint="key=value with commas."),
    )),
    Offer(("measure",), "Measure files", "Numbers only, for any readable sound file.", (
        Blank("files", "", "Files", "places", needed=True, hint="One a line."),
    )),
)  # fmt: skip
"""What can be done with a roll, in the order of the work."""


OF_A_BENCH = (
    Offer(("bench", "signals", ROLL), "Write the test signals", "Broadcast Wave files to play into the recorder, and a cue sheet of what to plug and turn, and when.", (
        Blank("gains", "--gains", "Gain settings to go through", "words", usual="0,20,40", hint="dB, with commas."),
        Blank("channels", "--channels", "Channels of the player", "number", usual="2"),
        Blank("rate", "--rate", "Sampling rate of the player, Hz", "number", usual="48000"),
        Blank("top", "--top", "Highest level over full scale, dB", "number", usual="12"),
        Blank("float", "--float-recorder", "The recorder writes float files", "tick"),
    )),
    Offer(("bench", "measure", "--into", ROLL), "Measure the recordings", "A data sheet, its curves, and profiles of input, clock and recorder for the kit.", (
        Blank("files", "", "The recorder’s files", "places", needed=True, hint="One a line, in the order they were recorded."),
        Blank("programme", "--programme", "The programme", "place", needed=True, hint="programme.toml, written beside the signals."),
        Blank("name", "--name", "Name of the recorder", "words", needed=True, usual="recorder"),
        Blank("volts", "--volts", "Player’s RMS volts during the 0 dBFS tone", "number", hint="Without it no levels in dBu."),
        Blank("loopback", "--loopback", "The player looped back", "places", hint="Recordings of it; they say where the player is the limit."),
        Blank("base", "--base", "Data-sheet profile of the input", "words", hint="A name of the kit, whose values are replaced."),
    )),
)  # fmt: skip
"""What can be done at a bench; the folder is the bench's."""


def offer(word: str, offers: Sequence[Offer] = OF_A_ROLL) -> Offer:
    """Return the job of that word.

    Raises
    ------
    SettingError
        If there is none.
    """
    for one in offers:
        if one.word == word:
            return one
    raise SettingError(f"There is no job {word!r}; there are {', '.join(o.word for o in offers)}.")


def command_line(
    job: Offer, folder: Path, filled: Mapping[str, str], allowed: Callable[[str], Path]
) -> list[str]:
    """Return the words of a job's command line.

    Parameters
    ----------
    job : Offer
    folder : Path
        The roll's folder.
    filled : mapping
        What stands in the blanks, by their names.
    allowed : callable
        Turns a place into a path that may be used, or refuses it.

    Raises
    ------
    SettingError
        If a blank that is needed is empty, or holds what it does not take.
    FileError
        As `allowed`.
    """
    options: list[str] = []
    arguments: list[str] = []
    for blank in job.blanks:
        for value in _values(blank, filled.get(blank.name, "").strip(), allowed):
            if not blank.option:
                arguments.append(value)
            elif blank.takes == "tick":
                options.append(blank.option)
            else:
                options.append(f"{blank.option}={value}")
    fixed = [str(folder) if part == ROLL else part for part in job.command]
    return [*fixed, *options, *arguments]


def _values(blank: Blank, text: str, allowed: Callable[[str], Path]) -> list[str]:
    if not text:
        if blank.needed:
            raise SettingError(f"{blank.label} is empty; fill it in.")
        return []
    if blank.takes == "choice" and text not in blank.choices:
        raise SettingError(f"{blank.label}: {text!r} is none of {', '.join(blank.choices)}.")
    if blank.takes == "number":
        try:
            float(text)
        except ValueError:
            raise SettingError(f"{blank.label}: {text!r} is no number.") from None
    if blank.takes in ("place", "places"):
        lines = [line.strip() for line in text.splitlines() if line.strip()]
        if len(lines) > (MOST_PLACES if blank.takes == "places" else 1):
            raise SettingError(f"{blank.label}: too many lines.")
        return [str(allowed(line)) for line in lines]
    if any(sign in text for sign in "\0\n\r") or (not blank.option and text.startswith("-")):
        raise SettingError(f"{blank.label}: {text!r} cannot stand on a command line.")
    return [text]

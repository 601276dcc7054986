"""How does a levelled float file become the original again, and where can it not?

The gains written beside the copy are divided out to the sample. Every sample comes back as the original float32 or
the one beside it (`takewell.shape.GainBank.undo`), except where the limiter took something off or where a value
that was no number became zero: those stretches are named. A copy in integers has lost what rounding and dither
took, and is refused.
"""

from dataclasses import dataclass, replace
from pathlib import Path

from takewell import __version__, files
from takewell.engine.render import RenderedFile, undo_series
from takewell.errors import DestinationError, FileError, SettingError
from takewell.level.levelled_copy import read_sidecar
from takewell.shape import Action
from takewell.wave import Bext, append_history, history_row, read_info

FOLDER = "undone"


@dataclass(frozen=True)
class Undone:
    """A file with its gains taken out, and the stretches (channels from 0) that do not come back."""

    target: Path
    lost: tuple[Action, ...]

    @property
    def whole(self) -> bool:
        """Whether everything came back."""
        return not self.lost


def undo(copy: Path, out: Path | None = None) -> Undone:
    """Write a levelled float copy with its gains taken out again.

    Parameters
    ----------
    copy : Path
        A file that `render` wrote with ``encoding="float32"``.
    out : Path, optional
        The folder for the result; ``undone`` beside the copy by default.

    Raises
    ------
    FileError
        If the copy or the text file beside it cannot be read, or they do not belong together.
    SettingError
        If the copy is in integers.
    DestinationError
        If the result cannot be written, or would replace the copy or its original.
    """
    copy = Path(copy)
    said = read_sidecar(copy)
    info = read_info(copy)
    if said.encoding != "float32" or info.encoding != "float32":
        raise SettingError(
            f"{copy} was rendered to {said.encoding}: rounding and dither cannot be undone; render to float32 to keep a way back."
        )
    if (info.length_samples, info.rate, info.channels) != (said.length_samples, said.rate, len(said.tracks)):
        raise FileError(f"{copy} is not the file its text file speaks of: length, rate or channels differ.")
    target = (Path(out) if out is not None else copy.parent / FOLDER) / copy.name
    if target.resolve() == copy.resolve():
        raise DestinationError(f"{target} is the levelled copy itself; choose another folder.")
    if target.exists():
        raise DestinationError(f"{target} exists already; choose another folder or remove it first.")
    files.make_folder(target.parent)
    sentence = f"Takewell {__version__} gain of the levelled copy taken out again"
    row = history_row("float32", info.rate, info.channels, sentence)
    ixml = None if info.ixml is None else replace(info.ixml, note=f"{info.ixml.note}; {sentence}")
    file = RenderedFile(copy, target, append_history(info.bext or Bext(), row), ixml)
    undo_series([file], [track.envelope for track in said.tracks])
    return Undone(target, said.actions)

"""Steps that more than one command takes: each calls the day's work and shows how far it is."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from takewell.cli.output import Progress, progress, say

if TYPE_CHECKING:
    from takewell.level import LevelledCopy, LevelSettings
    from takewell.mix import Mix, MixSettings
    from takewell.roll import Examination, Move, Roll

Samples = Literal["int16", "int24", "float32"]
Layout = Literal["mono", "stereo", "5.1"]

OF_A_TAKE = Callable[[str, int, int], None]
OF_SAMPLES = Callable[[int, int], None]

target_option = click.option(
    "--target", "target_lufs", default=-23.0, show_default=True, metavar="LUFS", help="Where speech belongs."
)
ceiling_option = click.option(
    "--ceiling", "ceiling_dbtp", default=-1.0, show_default=True, metavar="DBTP", help="Highest true peak."
)


def given_options(values: Mapping[str, object]) -> dict[str, object]:
    """Return those of the running command's options that were given on the command line."""
    context = click.get_current_context()
    source = click.core.ParameterSource.COMMANDLINE
    return {name: value for name, value in values.items() if context.get_parameter_source(name) == source}


def _of_a_take(show: Progress | None) -> OF_A_TAKE:
    return lambda take, done, whole: show(done, whole, take) if show else None


def _of_samples(show: Progress | None) -> OF_SAMPLES:
    return lambda done, whole: show(done, whole, "") if show else None


def loops_ready(*, rendering: bool = False, also: Callable[[], object] | None = None) -> None:
    """Have the compiled loops at hand; the first time that takes some seconds, and it is said."""
    from takewell import engine

    engine.ready(say, rendering=rendering, also=also)


def opened(paths: Sequence[Path]) -> "Roll":
    """Return what somebody points to: a roll, or loose files and folders.

    Raises
    ------
    FileError
        If it is not there or holds no sound file; nothing is written then.
    """
    from takewell.errors import FileError
    from takewell.roll import holds_sound, open_roll

    for path in paths:
        if not path.exists():
            raise FileError(f"{path} is not there; check the name, or whether the disk is connected.")
    if not any(holds_sound(path) for path in paths):
        raise FileError(f"{paths[0]} holds no sound file; give the folder of a roll, or sound files.")
    return open_roll(paths)


def real_roll(path: Path) -> "Roll":
    """Return a roll that may be written to, from its folder.

    Raises
    ------
    FileError
        If it is not there, is no folder, or holds no sound file.
    """
    from takewell.errors import FileError
    from takewell.roll import read_roll

    if path.is_file():
        raise FileError(f"{path} is a file; give the folder of a roll.")
    opened([path])
    return read_roll(path)


def examine_roll(roll: "Roll", *, quiet: bool) -> "Examination":
    """Examine a roll, measuring first what was not measured yet."""
    from takewell.examine import examine

    loops_ready()
    with progress("examining", wanted=not quiet) as show:
        return examine(roll, _of_a_take(show))


def examined(roll: "Roll", *, quiet: bool) -> "Examination":
    """Return what is known of a roll, examining it where that was not done since it last changed."""
    from takewell.roll import Logbook

    if roll.keeps:
        with Logbook(roll.folder) as logbook:
            known = logbook.examination()
        if known is not None:
            return known
    return examine_roll(roll, quiet=quiet)


def proposed(
    roll: "Roll",
    settings: "LevelSettings",
    takes: Sequence[str] | None,
    *,
    texts: Path | None = None,
    quiet: bool,
) -> "tuple[Move, ...]":
    """Propose moves for a roll and write them beside it."""
    from takewell.level import propose

    loops_ready()
    with progress("finding passages", wanted=not quiet) as show:
        return propose(roll, settings, takes=takes, texts=texts, progress=_of_a_take(show))


def planned(roll: "Roll", settings: "LevelSettings", *, quiet: bool) -> "tuple[Move, ...]":
    """Return a roll's moves, a person's lines respected, without writing them."""
    from takewell.level import plan_roll

    loops_ready()
    with progress("finding passages", wanted=not quiet) as show:
        plans = plan_roll(roll, settings, progress=_of_a_take(show))
    return tuple(move for plan in plans for move in plan.moves)


def rendered(
    roll: "Roll",
    settings: "LevelSettings",
    takes: Sequence[str] | None,
    *,
    encoding: Samples = "int24",
    moves: "tuple[Move, ...] | None" = None,
    out: Path | None = None,
    noise_shaping: bool = False,
    quiet: bool,
) -> "tuple[LevelledCopy, ...]":
    """Write levelled copies of what has moves."""
    from takewell.level import render

    loops_ready(rendering=True)
    with progress("rendering", wanted=not quiet) as show:
        return render(
            roll,
            out,
            encoding=encoding,
            takes=takes,
            moves=moves,
            settings=settings,
            noise_shaping=noise_shaping,
            progress=_of_samples(show),
        )


def mixed(
    roll: "Roll",
    settings: "MixSettings",
    takes: Sequence[str] | None,
    *,
    encoding: Samples = "int24",
    moves: "tuple[Move, ...] | None" = None,
    out: Path | None = None,
    quiet: bool,
) -> "tuple[Mix, ...]":
    """Mix the microphones of a roll's takes."""
    from takewell.mix import mix
    from takewell.mix.compiled import run_loops

    loops_ready(rendering=True, also=run_loops)
    with progress("mixing", wanted=not quiet) as show:
        return mix(
            roll, settings, out, takes=takes, encoding=encoding, moves=moves, progress=_of_samples(show)
        )

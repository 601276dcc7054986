"""``takewell level``: passages are brought to level by moves a person can read and change."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from takewell.cli.main import DONE, NEEDS_A_PERSON
from takewell.cli.output import figure, json_option, print_json, print_table, say
from takewell.cli.steps import Samples, ceiling_option, given_options, target_option

if TYPE_CHECKING:
    from takewell.level import LevelledCopy, LevelSettings
    from takewell.roll import Move, Roll


@click.command("level", short_help="Propose gain moves for every passage; render levelled copies.")
@click.argument("roll", type=click.Path(path_type=Path))
@click.option(
    "--take", "takes", multiple=True, metavar="TAKE", help="Only this take; may be given more than once."
)
@target_option
@ceiling_option
@click.option(
    "--line-up",
    "line_up_dbfs",
    type=float,
    metavar="DBFS",
    help="Bring the RMS of speech to this level (AES17) instead of to a loudness.",
)
@click.option(
    "--dynamics",
    "dynamics_lu",
    default=3.0,
    show_default=True,
    metavar="LU",
    help="How far above the target a shout may stay.",
)
@click.option(
    "--floor-most",
    "floor_most_dbfs",
    default=-40.0,
    show_default=True,
    metavar="DBFS",
    help="Highest A-weighted floor that raising may lead to.",
)
@click.option(
    "--floor-jump",
    "floor_jump_db",
    default=3.0,
    show_default=True,
    metavar="DB",
    help="Most the floor may change from one passage to the next.",
)
@click.option(
    "--limit",
    "limit_db",
    default=3.0,
    show_default=True,
    metavar="DB",
    help="Most the limiter may take off a peak.",
)
@click.option("--safety", is_flag=True, help="Level safety copies too.")
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(path_type=Path),
    metavar="TOML",
    help="Settings from the table [level] of a file; options given here win. Unless given, those the roll was levelled with last (takewell/level.toml).",
)
@click.option(
    "--ride",
    "ride_db_per_s",
    default=0.1,
    show_default=True,
    metavar="DB_PER_S",
    help="How fast a gain may follow speech that slowly changes in a long passage; 0 follows none.",
)
@click.option(
    "--moves",
    "texts",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Keep moves.csv in FOLDER/takewell instead of the roll, for a roll that cannot be written to; copies go there too unless --to is given.",
)
@click.option("--render", "render_copies", is_flag=True, help="Write levelled copies as well.")
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Where levelled copies go; takewell/levelled in the roll unless given.",
)
@click.option(
    "--samples",
    default="int24",
    show_default=True,
    type=click.Choice(["int24", "int16", "float32"]),
    help="Samples of levelled copies; integers are dithered.",
)
@click.option(
    "--noise-shaping",
    is_flag=True,
    help="Move the noise of integer copies to where ears hear least; sensible for 16 bits as the last step.",
)
@click.option(
    "--explain",
    metavar="TAKE",
    help="Say in sentences why each move of a take is what it is; writes nothing.",
)
@click.option(
    "--undo", is_flag=True, help="ROLL is a levelled float copy: write the original back beside it."
)
@json_option
def command(
    roll: Path,
    takes: tuple[str, ...],
    settings_file: Path | None,
    texts: Path | None,
    render_copies: bool,
    to: Path | None,
    samples: Samples,
    noise_shaping: bool,
    explain: str | None,
    undo: bool,
    as_json: bool,
    **_settings: object,
) -> int:
    """Propose one steady gain for each passage of each track of a ROLL, and write it to takewell/moves.csv.

    Lines of that file that a person changed or added are respected and never computed again. Originals are not touched:
    --render writes levelled copies, --undo takes the gains out of a levelled float copy again.
    """
    from takewell.cli.steps import proposed, real_roll, rendered
    from takewell.level import past_the_end, write_limited

    if undo:
        return _undo(roll, to, as_json=as_json)
    found = real_roll(roll)
    place = texts or found.folder
    settings = _settings_of(place, settings_file)
    if explain:
        return _explain(found, explain, settings, texts, as_json=as_json)
    moves = proposed(found, settings, takes or None, texts=texts, quiet=as_json)
    shown = [move for move in moves if not takes or move.take in takes]
    copies: tuple[LevelledCopy, ...] = ()
    if render_copies:
        out = to or (texts / "takewell" / "levelled" if texts else None)
        copies = rendered(
            found,
            settings,
            takes or None,
            encoding=samples,
            moves=moves,
            out=out,
            noise_shaping=noise_shaping,
            quiet=as_json,
        )
    for sentence in past_the_end(found, moves):
        say(sentence)
    if copies:
        write_limited(place, copies)
    if as_json:
        print_json({"moves": shown, "copies": copies})
    else:
        _print(found, place, shown, copies)
    return NEEDS_A_PERSON if any(copy.clipped_samples for copy in copies) else DONE


def _settings_of(place: Path, file: Path | None) -> "LevelSettings":
    from takewell.level import LevelSettings, roll_settings

    base = roll_settings(place) if file is None else LevelSettings.from_toml(file)
    names = (
        "target_lufs",
        "ceiling_dbtp",
        "line_up_dbfs",
        "dynamics_lu",
        "floor_most_dbfs",
        "floor_jump_db",
        "limit_db",
        "ride_db_per_s",
        "safety",
    )
    params = click.get_current_context().params
    given = given_options({name: params[name] for name in names})
    return LevelSettings.from_mapping(given, base)


def _explain(roll: "Roll", take: str, settings: "LevelSettings", texts: Path | None, *, as_json: bool) -> int:
    from takewell.level import explain

    sentences = explain(roll, take, settings, texts=texts)
    if as_json:
        print_json({"take": take, "sentences": sentences})
    else:
        print("\n".join(sentences))
    return DONE


def _undo(copy: Path, to: Path | None, *, as_json: bool) -> int:
    from takewell.level import undo

    undone = undo(copy, to)
    if as_json:
        print_json(undone)
    else:
        print(undone.target)
    for action in undone.lost:
        say(f"not the original here: {action}")
    return DONE if undone.whole else NEEDS_A_PERSON


def _print(roll: "Roll", place: Path, moves: "list[Move]", copies: "tuple[LevelledCopy, ...]") -> None:
    from takewell.level import limited
    from takewell.level.limited import LIMITED

    names = {
        (take.id, track.number): track.name or f"track {track.number}"
        for take in roll.takes
        for track in take.tracks
    }
    rows = [
        (
            move.take,
            names.get((move.take, move.track), str(move.track)),
            f"{figure(move.start_s, 2)} to {figure(move.end_s, 2)} s",
            f"{'+' if move.gain_db > 0 else ''}{figure(move.gain_db)}",
            "yours" if move.fixed else "",
            move.reason,
        )
        for move in moves
    ]
    if rows:
        print_table(("take", "track", "from, to", "gain dB", "whose", "why"), rows, numbers=(3,))
        print(
            f"{len(rows)} moves in {place / 'takewell' / 'moves.csv'}; change a line there and it stays as you set it."
        )
    else:
        print("No track wants a move.")
    for copy in copies:
        done = limited(copy)
        what = f", {done.places} places limited by at most {done.most_db:.1f} dB, {done.seconds:.1f} s in all"
        print(f"{copy.target}: {copy.source} levelled{what if done.places else ''}")
    if any(limited(copy).places for copy in copies):
        print(f"Every place is listed in {place / 'takewell' / LIMITED}.")
        if copy.clipped_samples:
            say(
                f"{copy.target}: {copy.clipped_samples} samples did not fit and were held at the rails; render float or lower the moves."
            )

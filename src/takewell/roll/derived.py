"""Where do files go that were made from a roll's media?

Never among the media: into the roll's own ``takewell/`` folder, or anywhere outside the roll. For files that were
never checked in: into any folder that holds none of them.
"""

from pathlib import Path

from takewell.errors import DestinationError
from takewell.roll.sheet import TEXT_FOLDER
from takewell.roll.values import Roll


def derived_folder(roll: Roll, out: Path | None, name: str) -> Path:
    """Return the folder for files made from a roll's media; it is not created.

    Parameters
    ----------
    roll : Roll
    out : Path or None
        What the user named; None for ``takewell/<name>`` in the roll's folder.
    name : str
        What the files are: ``levelled``, ``mix``.

    Raises
    ------
    DestinationError
        If `out` lies among the media, or there is no place to choose because the files are no roll.
    """
    own = roll.folder / TEXT_FOLDER
    if out is None:
        if not roll.keeps:
            raise DestinationError(
                "These files are no roll, so there is no place of its own for what is made from them; name a folder."
            )
        return own / name
    target, media = Path(out).resolve(), roll.folder.resolve()
    if roll.keeps:
        inside = target == media or media in target.parents
        if inside and own.resolve() not in target.parents:
            raise DestinationError(
                f"{out} lies among the media of {roll.folder}; choose a folder outside it, or one in {own}."
            )
    elif target in {(media / file.path).parent for take in roll.takes for file in take.files}:
        raise DestinationError(
            f"{out} lies among the media: it holds some of these files; choose another folder."
        )
    return Path(out)

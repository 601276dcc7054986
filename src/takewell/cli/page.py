"""``takewell page``: the local web page."""

import secrets
from pathlib import Path

import click

from takewell.cli.main import DONE
from takewell.cli.output import json_option, print_json, say


@click.command("page", short_help="Open the local web page: see the day, hear it safely, decide, hand over.")
@click.argument("roll", required=False, type=click.Path(path_type=Path))
@click.option(
    "--root",
    "roots",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Let the page look into this folder and nowhere else; may be given more than once. Your home, the working "
    "folder, the roll's own and mounted disks unless given.",
)
@click.option("--port", type=click.IntRange(1, 65535), help="Port to serve on.")
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    metavar="ADDRESS",
    help="Address to serve on; any but this machine's own can be reached by others, and a token opens it.",
)
@click.option("--no-browser", is_flag=True, help="Only say the address; do not open a browser.")
@json_option
def command(
    roll: Path | None,
    roots: tuple[Path, ...],
    port: int | None,
    host: str,
    no_browser: bool,
    as_json: bool,
) -> int:
    """Open a web page on this machine for a ROLL, or for choosing one. Nothing goes to the network. Ctrl-C ends it.

    Work that runs when the page ends goes on; the page shows it when it is opened again.
    """
    from takewell.errors import FileError
    from takewell.page import serve
    from takewell.page.places import Places, default_roots

    folder = None if roll is None else roll.resolve()
    if folder is not None and not folder.is_dir():
        raise FileError(f"{roll} is no folder; give the folder of a roll.")
    for root in roots:
        if not root.is_dir():
            raise FileError(f"{root} is no folder; give one the page may look into.")
    places = roots or default_roots([] if folder is None else [folder.parent])
    if folder is not None:
        Places(places).allowed(folder)

    def opened(address: str) -> None:
        if as_json:
            print_json({"address": address})
        else:
            say(f"The page is at {address}  (Ctrl-C ends it)")
        if not (no_browser or as_json):
            import webbrowser

            webbrowser.open(address)

    serve(
        host=host,
        port=port,
        token=secrets.token_urlsafe(24),
        roots=places,
        first=folder,
        opened=opened,
    )
    return DONE

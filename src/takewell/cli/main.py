"""The command line's front door: finds the command, and turns errors into one sentence and an exit code.

Exit codes: 0 done and nothing wrong; 1 done, and it found something that needs a person; 2 the request
could not be carried out. Commands are imported only when called, so that ``--help`` starts at once.
"""

import contextlib
import importlib
import os
import sys
from collections.abc import Sequence

import click

from takewell import __version__
from takewell.errors import TakewellError

COMMANDS = {
    "demo": "Write an invented shoot day and carry it from card to hand-over.",
    "plan": "Reckon levels, cards, power and clocks of a day to come.",
    "bench": "Test signals for a recorder, and a data sheet from its recordings.",
    "whatif": "Put a recording through another gain, word length or limiter.",
    "checkin": "Copy cards, verify the copies, sort into takes, measure in the same read.",
    "verify": "Hold a folder against its manifest.",
    "takes": "List the takes and tracks of a roll.",
    "measure": "Print the numbers of any readable sound file.",
    "examine": "Say what is good, what only looks ruined, what is lost, and where.",
    "mend": "Join damaged tracks from whole twins, as new tracks.",
    "level": "Propose gain moves for every passage; render levelled copies.",
    "mix": "Mix a roll's microphones automatically.",
    "sync": "Line up by timecode and by sound: offset, drift, timeline.",
    "handover": "Write the package for the editor: files, metadata, manifest, report.",
    "report": "Write the sound report alone: PDF, HTML, CSV.",
    "page": "Open the local web page: see the day, hear it safely, decide, hand over.",
}
"""Every command with its one line of help, in the order of the day."""

DONE, NEEDS_A_PERSON, REFUSED = 0, 1, 2
STOPPED = 130
"""What a shell expects after Ctrl-C."""


class _Commands(click.Group):
    """A group that knows its commands' names and help before it imports any."""

    def list_commands(self, _context: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, _context: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module = importlib.import_module(f"takewell.cli.{name}")
        command: click.Command = module.command
        return command

    def format_commands(self, _context: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(__version__, prog_name="takewell")
def takewell() -> None:
    """Carry a shoot day's sound from plan to hand-over.

    Every command takes --json (results on stdout, messages on stderr) and exits with 0 when nothing is
    wrong, 1 when it found something that needs a person, 2 when it could not do what was asked.
    """


def _say(sentence: str) -> None:
    with contextlib.suppress(OSError):
        print(f"takewell: {sentence}", file=sys.stderr)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; every expected error becomes one sentence on stderr."""
    try:
        result = takewell.main(args=arguments, prog_name="takewell", standalone_mode=False)
        sys.stdout.flush()
    except click.exceptions.Exit as request:
        return request.exit_code
    except click.exceptions.NoArgsIsHelpError as request:
        print(request.format_message())
        return DONE
    except click.UsageError as error:
        where = f"{error.ctx.command_path}: " if error.ctx and error.ctx.parent else ""
        _say(f"{where}{error.format_message()} See takewell --help.")
        return REFUSED
    except (click.Abort, KeyboardInterrupt):
        _say("stopped; nothing was left half-written.")
        return STOPPED
    except BrokenPipeError:
        # The reader of our output has left (a pager, head): that is no error of ours.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except TakewellError as error:
        _say(str(error))
        return REFUSED
    except OSError as error:
        if error.filename is None:
            raise
        _say(
            f"{os.fsdecode(error.filename)}: {error.strerror or error}; check that it exists and may be read."
        )
        return REFUSED
    return result if isinstance(result, int) else DONE


def main() -> None:
    """Console entry point."""
    sys.exit(run())

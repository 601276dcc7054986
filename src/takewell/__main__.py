"""``python -m takewell``: the command line."""

from takewell.cli.main import main

main()

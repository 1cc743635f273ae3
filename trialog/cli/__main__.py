"""Run the command line as `python -m trialog.cli`."""

from trialog.cli import main

main()

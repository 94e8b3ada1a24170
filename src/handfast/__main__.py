"""`python -m handfast` is the command line."""

from handfast.cli.main import run

run()

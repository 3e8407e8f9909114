"""`python -m idlewhy` is the command."""

from idlewhy.cli.main import main

main()

"""`python -m imgkit` is the command."""

from imgkit.cli import main

main()

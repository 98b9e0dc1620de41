"""Where the command begins: `imgkit`, and `python -m imgkit`."""

import signal
from typing import NoReturn


def main() -> NoReturn:
    """Run the command. Ctrl-C while the first libraries are loaded ends the process without a word, as TERM does.

    What is ignored, as in the background, stays so.
    """
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from imgkit import cli

    cli.main()


if __name__ == "__main__":
    main()

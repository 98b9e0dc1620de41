"""Runs the tests in an environment of their own: `python3 scripts/test.py [ARGUMENTS FOR PYTEST…]`."""

import os
import sys

import environment


def main() -> int:
    with environment.only_one_at_a_time():
        programs = environment.prepare(["fast", "test"])
    os.chdir(environment.ROOT)
    sys.stdout.flush()
    python = str(programs / "python")
    os.execv(python, [python, "-m", "pytest", *sys.argv[1:]])


if __name__ == "__main__":
    environment.carry_out(main)

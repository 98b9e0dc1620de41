"""Runs the tests in an environment of their own: `python3 scripts/test.py [ARGUMENTS FOR PYTEST…]`.

On all cores at once; an argument of pytest's or pytest-xdist's own overrides that: `-n0` is one test after the other.
"""

import os
import sys

import environment

PARALLEL = ["-n", "auto", "--dist", "loadgroup"]


def main() -> int:
    with environment.only_one_at_a_time():
        programs = environment.prepare(["fast", "test"])
    os.chdir(environment.ROOT)
    sys.stdout.flush()
    python = str(programs / "python")
    os.execv(python, [python, "-m", "pytest", *PARALLEL, *sys.argv[1:]])


if __name__ == "__main__":
    environment.carry_out(main)

"""Why blocks differ: one file for each cause. To add one, write it and name it in `episodes`.

A *local* cause looks at a block and its reference alone (`Cause` in `evidence`); a *moved* cause finds where in the
reference the data of a stretch come from.
"""

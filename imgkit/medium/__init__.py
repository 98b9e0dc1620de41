"""What blocks are read from: raw files, block devices and packed files, opened to be read and nothing else."""

from imgkit.medium.access import DEFAULT_ACCESS, Access
from imgkit.medium.source import Medium, open_medium

__all__ = ["DEFAULT_ACCESS", "Access", "Medium", "open_medium"]

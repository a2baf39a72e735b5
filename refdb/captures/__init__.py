"""Capture files: `read` a whole recording, or `open_blocks` for one too long for memory."""

from refdb.captures.blocks import Blocks, open_blocks
from refdb.captures.dispatch import read
from refdb.captures.options import ReadOptions

__all__ = ["Blocks", "ReadOptions", "open_blocks", "read"]

"""What every worker process needs: imported once by the fork server, shared by all workers."""

from matching.profile import inspect, scout
from refdb import captures
from refdb.catalogue import Catalogue

__all__ = ["Catalogue", "captures", "inspect", "scout"]

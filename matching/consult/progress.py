"""How long work tells its caller how far it is, without knowing of any terminal."""

from collections.abc import Callable

# progress(what is being done, steps done, steps in all)
Progress = Callable[[str, int, int], None]


def silent(what: str, done: int, total: int) -> None:
    """Progress that nobody looks at."""

"""The errors a user can cause. Each text is one line: what, expected, found, what to do."""


class StraygaugeError(Exception):
    """Root of every error that the command line turns into one line and exit code 2."""


class CaptureError(StraygaugeError):
    """A capture file that cannot be read as asked."""


class CardError(StraygaugeError):
    """A system card that cannot be used, or a system nobody has a card for."""


class ManifestError(StraygaugeError):
    """A manifest that cannot be read, or a line of it that makes no sense."""


class CatalogueError(StraygaugeError):
    """A catalogue that cannot be opened, read or written."""


class DuplicateReference(CatalogueError):
    """The same samples are in the catalogue already.

    Attributes: reference_id of the existing reference.
    """

    def __init__(self, message: str, reference_id: int) -> None:
        super().__init__(message)
        self.reference_id = reference_id

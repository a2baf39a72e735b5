"""`python -m migrations "what changes"` writes the next empty revision, the rules inside."""

import sys
from pathlib import Path

from alembic import command

from refdb import schema


def new_revision(message: str) -> Path:
    """Writes the revision after HEAD and gives its file; upgrade and downgrade are to be filled."""
    config = schema.alembic_config()
    config.set_main_option("file_template", "%%(rev)s_%%(slug)s")
    made = command.revision(config, message, rev_id=f"{int(schema.HEAD) + 1:04d}")
    assert made is not None and not isinstance(made, list)
    return Path(made.path)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit('usage: python -m migrations "what changes"')
    print(new_revision(sys.argv[1]))

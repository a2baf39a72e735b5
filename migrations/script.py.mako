"""${message}

Rules for a revision (tests/test_schema.py checks what it can):
- Made by `python -m migrations "what changes"`. Set HEAD in refdb/schema.py to its number.
- Name every constraint, as refdb/tables.py does: a batch rebuild drops what has no name.
- A batch rebuild also drops triggers: create those of `history` again after touching it.
- Import nothing from refdb: tables.py goes on changing, this file must not.
- Foreign keys are off while it runs and checked before it is kept. No commit, no PRAGMA here.
- Write downgrade too. Keep a filled catalogue of the schema before in tests/fixtures.
- Compare with tables.py by hand: Alembic does not see CHECKs.
"""

import sqlalchemy as sa
from alembic import op
${imports if imports else ""}

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = None
depends_on = None


def upgrade() -> None:
    ${upgrades if upgrades else "pass"}


def downgrade() -> None:
    ${downgrades if downgrades else "pass"}

"""Makes the first form of the record."""

from alembic import op

from drawup.record.migrations.form_0001 import OBJECTS, REVISION

revision = REVISION
down_revision = None


def upgrade() -> None:
    """Everything of the first form, in the order in which it is written there."""
    for text in OBJECTS.values():
        op.execute(text)


def downgrade() -> None:
    """There is nothing before the first form."""
    raise NotImplementedError("A record never goes back to an earlier form; restore a backup instead.")

"""${message}."""

from alembic import op

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}


def upgrade() -> None:
    """Copying a table (batch_alter_table) leaves its triggers behind: create them again here, in this same step."""


def downgrade() -> None:
    raise NotImplementedError("A record never goes back to an earlier form; restore a backup instead.")

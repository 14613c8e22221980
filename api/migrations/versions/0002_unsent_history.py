"""Hours of history that a second history does not have yet; the partition of each battery."""

from alembic import op

from api.tables import PARTITIONS, UNSENT

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    for table in (UNSENT, PARTITIONS):
        table.create(op.get_bind(), checkfirst=True)


def downgrade() -> None:
    for table in (UNSENT, PARTITIONS):
        table.drop(op.get_bind(), checkfirst=True)

"""Hours of history that a second history does not have yet."""

from alembic import op

from api.tables import UNSENT

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    UNSENT.create(op.get_bind(), checkfirst=True)


def downgrade() -> None:
    UNSENT.drop(op.get_bind(), checkfirst=True)

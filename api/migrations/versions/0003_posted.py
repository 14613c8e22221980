"""What came over HTTP for a battery that another process answers for."""

from alembic import op

from api.tables import POSTED

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    POSTED.create(op.get_bind(), checkfirst=True)


def downgrade() -> None:
    POSTED.drop(op.get_bind(), checkfirst=True)

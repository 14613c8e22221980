"""First tables: history, roll-ups and ledger."""

from alembic import op

from api.tables import METADATA

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    METADATA.create_all(op.get_bind())


def downgrade() -> None:
    METADATA.drop_all(op.get_bind())

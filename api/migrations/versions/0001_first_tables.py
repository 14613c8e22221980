"""First tables: history, roll-ups and ledger."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('acts',
    sa.Column('number', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('alert_id', sa.Text(), nullable=False),
    sa.Column('at_ms', sa.BigInteger(), nullable=False),
    sa.Column('kind', sa.Text(), nullable=False),
    sa.Column('who', sa.Text(), nullable=False),
    sa.Column('text', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('number')
    )
    op.create_index(op.f('ix_acts_alert_id'), 'acts', ['alert_id'], unique=False)
    op.create_table('alerts',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('battery', sa.Integer(), nullable=False),
    sa.Column('rule', sa.Text(), nullable=False),
    sa.Column('priority', sa.Text(), nullable=False),
    sa.Column('began_ms', sa.BigInteger(), nullable=False),
    sa.Column('ended_ms', sa.BigInteger(), nullable=True),
    sa.Column('finding', sa.Text(), nullable=False),
    sa.Column('acknowledged_ms', sa.BigInteger(), nullable=True),
    sa.Column('acknowledged_by', sa.Text(), nullable=True),
    sa.Column('shelved_until_ms', sa.BigInteger(), nullable=True),
    sa.Column('shelved_by', sa.Text(), nullable=True),
    sa.Column('shelved_reason', sa.Text(), nullable=True),
    sa.Column('out_of_service_until_ms', sa.BigInteger(), nullable=True),
    sa.Column('out_of_service_by', sa.Text(), nullable=True),
    sa.Column('out_of_service_reason', sa.Text(), nullable=True),
    sa.PrimaryKeyConstraint('id')
    )
    op.create_index('alerts_by_battery', 'alerts', ['battery', 'began_ms'], unique=False)
    op.create_index('alerts_by_end', 'alerts', ['ended_ms', 'began_ms'], unique=False)
    op.create_index('alerts_by_time', 'alerts', ['began_ms', 'id'], unique=False)
    op.create_table('batteries',
    sa.Column('number', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('fence', sa.BigInteger(), server_default='0', nullable=False),
    sa.PrimaryKeyConstraint('number'),
    sa.UniqueConstraint('id')
    )
    op.create_table('checkpoints',
    sa.Column('battery', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), autoincrement=False, nullable=False),
    sa.Column('state', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('battery', 'at_ms')
    )
    op.create_table('dead_letters',
    sa.Column('number', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), nullable=False),
    sa.Column('source', sa.Text(), nullable=False),
    sa.Column('reason', sa.Text(), nullable=False),
    sa.Column('raw', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('number')
    )
    op.create_index(op.f('ix_dead_letters_at_ms'), 'dead_letters', ['at_ms'], unique=False)
    op.create_table('declarations',
    sa.Column('number', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('battery', sa.Integer(), nullable=False),
    sa.Column('at_ms', sa.BigInteger(), nullable=False),
    sa.Column('who', sa.Text(), nullable=False),
    sa.Column('declared', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('number')
    )
    op.create_index(op.f('ix_declarations_battery'), 'declarations', ['battery'], unique=False)
    op.create_table('delivered_alerts',
    sa.Column('delivery', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=False, nullable=False),
    sa.Column('alert_id', sa.Text(), nullable=False),
    sa.Column('channel', sa.Text(), nullable=False),
    sa.Column('kind', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('delivery', 'alert_id')
    )
    op.create_index('delivered_alerts_by_alert', 'delivered_alerts', ['alert_id', 'channel'], unique=False)
    op.create_table('deliveries',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('channel', sa.Text(), nullable=False),
    sa.Column('kind', sa.Text(), nullable=False),
    sa.Column('reason', sa.Text(), nullable=False),
    sa.Column('message', sa.Text(), nullable=False),
    sa.Column('made_ms', sa.BigInteger(), nullable=False),
    sa.Column('due_ms', sa.BigInteger(), nullable=False),
    sa.Column('tries', sa.Integer(), nullable=False),
    sa.Column('state', sa.Text(), nullable=False),
    sa.Column('done_ms', sa.BigInteger(), nullable=True),
    sa.Column('leased_until_ms', sa.BigInteger(), nullable=False),
    sa.Column('last_error', sa.Text(), nullable=True),
    sa.PrimaryKeyConstraint('id')
    )
    op.create_index('deliveries_by_due', 'deliveries', ['state', 'channel', 'due_ms'], unique=False)
    op.create_table('history',
    sa.Column('battery', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), autoincrement=False, nullable=False),
    sa.Column('sequence', sa.BigInteger(), autoincrement=False, nullable=False),
    sa.Column('voltage_mv', sa.Integer(), nullable=False),
    sa.Column('current_ma', sa.Integer(), nullable=True),
    sa.Column('temperature_dc', sa.Integer(), nullable=True),
    sa.Column('charge_mah', sa.BigInteger(), nullable=True),
    sa.Column('soc_cpct', sa.SmallInteger(), nullable=True),
    sa.Column('belief', sa.Integer(), nullable=False),
    sa.PrimaryKeyConstraint('battery', 'at_ms', 'sequence'),
    sqlite_with_rowid=False
    )
    op.create_table('history_hour',
    sa.Column('battery', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), autoincrement=False, nullable=False),
    sa.Column('n', sa.Integer(), nullable=False),
    sa.Column('last_ms', sa.BigInteger(), nullable=False),
    sa.Column('voltage_mv_n', sa.Integer(), nullable=False),
    sa.Column('voltage_mv_sum', sa.BigInteger(), nullable=True),
    sa.Column('voltage_mv_min', sa.Integer(), nullable=True),
    sa.Column('voltage_mv_max', sa.Integer(), nullable=True),
    sa.Column('voltage_mv_last', sa.Integer(), nullable=True),
    sa.Column('current_ma_n', sa.Integer(), nullable=False),
    sa.Column('current_ma_sum', sa.BigInteger(), nullable=True),
    sa.Column('current_ma_min', sa.Integer(), nullable=True),
    sa.Column('current_ma_max', sa.Integer(), nullable=True),
    sa.Column('current_ma_last', sa.Integer(), nullable=True),
    sa.Column('temperature_dc_n', sa.Integer(), nullable=False),
    sa.Column('temperature_dc_sum', sa.BigInteger(), nullable=True),
    sa.Column('temperature_dc_min', sa.Integer(), nullable=True),
    sa.Column('temperature_dc_max', sa.Integer(), nullable=True),
    sa.Column('temperature_dc_last', sa.Integer(), nullable=True),
    sa.Column('soc_cpct_n', sa.Integer(), nullable=False),
    sa.Column('soc_cpct_sum', sa.BigInteger(), nullable=True),
    sa.Column('soc_cpct_min', sa.Integer(), nullable=True),
    sa.Column('soc_cpct_max', sa.Integer(), nullable=True),
    sa.Column('soc_cpct_last', sa.Integer(), nullable=True),
    sa.Column('low_cpct_min', sa.Integer(), nullable=True),
    sa.Column('high_cpct_max', sa.Integer(), nullable=True),
    sa.Column('phase', sa.SmallInteger(), nullable=False),
    sa.Column('detail', sa.SmallInteger(), nullable=False),
    sa.PrimaryKeyConstraint('battery', 'at_ms'),
    sqlite_with_rowid=False
    )
    op.create_table('history_minute',
    sa.Column('battery', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), autoincrement=False, nullable=False),
    sa.Column('n', sa.Integer(), nullable=False),
    sa.Column('last_ms', sa.BigInteger(), nullable=False),
    sa.Column('voltage_mv_n', sa.Integer(), nullable=False),
    sa.Column('voltage_mv_sum', sa.BigInteger(), nullable=True),
    sa.Column('voltage_mv_min', sa.Integer(), nullable=True),
    sa.Column('voltage_mv_max', sa.Integer(), nullable=True),
    sa.Column('voltage_mv_last', sa.Integer(), nullable=True),
    sa.Column('current_ma_n', sa.Integer(), nullable=False),
    sa.Column('current_ma_sum', sa.BigInteger(), nullable=True),
    sa.Column('current_ma_min', sa.Integer(), nullable=True),
    sa.Column('current_ma_max', sa.Integer(), nullable=True),
    sa.Column('current_ma_last', sa.Integer(), nullable=True),
    sa.Column('temperature_dc_n', sa.Integer(), nullable=False),
    sa.Column('temperature_dc_sum', sa.BigInteger(), nullable=True),
    sa.Column('temperature_dc_min', sa.Integer(), nullable=True),
    sa.Column('temperature_dc_max', sa.Integer(), nullable=True),
    sa.Column('temperature_dc_last', sa.Integer(), nullable=True),
    sa.Column('soc_cpct_n', sa.Integer(), nullable=False),
    sa.Column('soc_cpct_sum', sa.BigInteger(), nullable=True),
    sa.Column('soc_cpct_min', sa.Integer(), nullable=True),
    sa.Column('soc_cpct_max', sa.Integer(), nullable=True),
    sa.Column('soc_cpct_last', sa.Integer(), nullable=True),
    sa.Column('low_cpct_min', sa.Integer(), nullable=True),
    sa.Column('high_cpct_max', sa.Integer(), nullable=True),
    sa.Column('phase', sa.SmallInteger(), nullable=False),
    sa.PrimaryKeyConstraint('battery', 'at_ms'),
    sqlite_with_rowid=False
    )
    op.create_table('latest',
    sa.Column('battery', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), nullable=False),
    sa.Column('assessment', sa.Text(), nullable=False),
    sa.Column('details', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('battery')
    )
    op.create_table('meta',
    sa.Column('key', sa.Text(), nullable=False),
    sa.Column('value', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('key')
    )
    op.create_table('newest_checkpoints',
    sa.Column('battery', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), nullable=False),
    sa.Column('state', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('battery')
    )
    op.create_table('notes',
    sa.Column('battery', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), autoincrement=False, nullable=False),
    sa.Column('kind', sa.Text(), nullable=False),
    sa.Column('value', sa.Text(), nullable=True),
    sa.Column('who', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('battery', 'at_ms', 'kind')
    )
    op.create_table('outbox',
    sa.Column('number', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('alert_id', sa.Text(), nullable=False),
    sa.Column('kind', sa.Text(), nullable=False),
    sa.Column('at_ms', sa.BigInteger(), nullable=False),
    sa.Column('late', sa.Boolean(), nullable=False),
    sa.Column('event', sa.Text(), nullable=False),
    sa.Column('told', sa.Boolean(), nullable=False),
    sa.PrimaryKeyConstraint('number'),
    sa.UniqueConstraint('alert_id', 'kind', 'at_ms')
    )
    op.create_index('outbox_by_told', 'outbox', ['told', 'number'], unique=False)
    op.create_table('quarantine',
    sa.Column('battery', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), autoincrement=False, nullable=False),
    sa.Column('sequence', sa.BigInteger(), autoincrement=False, nullable=False),
    sa.Column('received_ms', sa.BigInteger(), nullable=False),
    sa.Column('reason', sa.Text(), nullable=False),
    sa.Column('reading', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('battery', 'at_ms', 'sequence')
    )
    op.create_table('unrolled',
    sa.Column('battery', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), autoincrement=False, nullable=False),
    sa.PrimaryKeyConstraint('battery', 'at_ms'),
    sqlite_with_rowid=False
    )
    op.create_table('unsent',
    sa.Column('battery', sa.Integer(), autoincrement=False, nullable=False),
    sa.Column('at_ms', sa.BigInteger(), autoincrement=False, nullable=False),
    sa.Column('from_ms', sa.BigInteger(), nullable=False),
    sa.Column('version', sa.BigInteger(), nullable=False),
    sa.PrimaryKeyConstraint('battery', 'at_ms'),
    sqlite_with_rowid=False
    )


def downgrade() -> None:
    op.drop_table('unsent')
    op.drop_table('unrolled')
    op.drop_table('quarantine')
    op.drop_index('outbox_by_told', table_name='outbox')
    op.drop_table('outbox')
    op.drop_table('notes')
    op.drop_table('newest_checkpoints')
    op.drop_table('meta')
    op.drop_table('latest')
    op.drop_table('history_minute')
    op.drop_table('history_hour')
    op.drop_table('history')
    op.drop_index('deliveries_by_due', table_name='deliveries')
    op.drop_table('deliveries')
    op.drop_index('delivered_alerts_by_alert', table_name='delivered_alerts')
    op.drop_table('delivered_alerts')
    op.drop_index(op.f('ix_declarations_battery'), table_name='declarations')
    op.drop_table('declarations')
    op.drop_index(op.f('ix_dead_letters_at_ms'), table_name='dead_letters')
    op.drop_table('dead_letters')
    op.drop_table('checkpoints')
    op.drop_table('batteries')
    op.drop_index('alerts_by_time', table_name='alerts')
    op.drop_index('alerts_by_end', table_name='alerts')
    op.drop_index('alerts_by_battery', table_name='alerts')
    op.drop_table('alerts')
    op.drop_index(op.f('ix_acts_alert_id'), table_name='acts')
    op.drop_table('acts')

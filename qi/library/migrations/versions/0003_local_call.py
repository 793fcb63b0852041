"""How the clocks stood where the call was, so that a worklist can show the local day."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the column; of a case that is there already it is not known until its summary is made anew."""
    op.add_column("cases", sa.Column("call_offset_min", sa.Integer()))

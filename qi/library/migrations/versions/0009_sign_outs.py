"""Sign-ins that their person has ended: one that was is over, though its cookie is kept somewhere."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Add the table; nobody has signed out so far."""
    op.create_table(
        "sign_outs",
        sa.Column("sign_in", sa.String(64), primary_key=True),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
    )

"""What alembic runs: the migrations, on the connection and in the transaction that it is given."""

from alembic import context

from qi.library.database import REVISION_TABLE
from qi.library.tables import METADATA

context.configure(connection=context.config.attributes["connection"], target_metadata=METADATA, version_table=REVISION_TABLE)
with context.begin_transaction():
    context.run_migrations()

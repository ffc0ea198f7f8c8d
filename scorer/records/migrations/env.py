"""Run by Alembic: bring the records' tables to a version, over the connection that scorer has opened."""

from alembic import context

from scorer.records.tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,  # SQLite cannot alter a table in place
)
with context.begin_transaction():
    context.run_migrations()

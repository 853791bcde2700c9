"""Where the migration tool meets the tables; run by ``service.store.migrating`` alone."""

from alembic import context

from service.store.tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()

"""Run by Alembic inside the transaction of router.store.opening."""

from alembic import context

from router.store.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata, transactional_ddl=True)
if not context.is_offline_mode():
    context.run_migrations()

"""Everything with a user, a clock or a disk: register, store, commands, API, pages, documents."""

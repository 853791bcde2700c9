"""Tables, transactions, queries, migrations: the only SQL of the project."""

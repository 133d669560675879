"""Tables, their migrations, and the engine that opens them: SQLite or PostgreSQL."""

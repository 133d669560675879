"""How long a record has to be for a wanted confidence."""

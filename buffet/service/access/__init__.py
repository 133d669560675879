"""Who may do what, and from where: tokens, sessions, roles, limits, and what changed by whom."""

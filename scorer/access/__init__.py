"""Who may do what: people, their roles, and how they let themselves in."""

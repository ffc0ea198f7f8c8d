"""How long fruit were held before their photo, and what that says of it."""

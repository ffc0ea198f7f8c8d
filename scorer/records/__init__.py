"""A season's records: what was picked, photographed, scored and decided, in one database."""

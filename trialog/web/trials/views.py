"""Nothing here yet."""

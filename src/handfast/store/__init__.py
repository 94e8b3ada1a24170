"""The bench's database: runs, and where each pose came to rest."""

"""Live sessions with the arms: run a routine, and later teach and measure."""

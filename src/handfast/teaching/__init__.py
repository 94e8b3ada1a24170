"""From hand-led recordings to routines: still poses, how each was reached and held, and strokes."""

"""Arrays only: rotations, poses, twists, and distances between simple shapes."""

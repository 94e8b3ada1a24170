"""How good it was: accuracy from points, runs and pictures, and where the error comes from."""

"""The questions a maker asks beforehand, and the changes that would turn an answer."""

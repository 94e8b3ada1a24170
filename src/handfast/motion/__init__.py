"""From steps to joint motion over time: paths, timing, carry, pass, and the exact sync of both arms."""

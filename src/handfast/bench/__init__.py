"""The described set-up: two arms, where they stand, servos, supply, controller, things; and its folder."""

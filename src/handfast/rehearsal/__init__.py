"""The twin: the bench as a physics model, in which a routine is rehearsed before it meets real arms.

Bodies, contacts and things are MuJoCo's; servos, play, springiness and friction of the gears are ours. It shares
no code with `landing`, so that the two can check each other.
"""

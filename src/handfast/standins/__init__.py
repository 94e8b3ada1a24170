"""Stand-ins: what answers the controller's pulses with wiper voltages in place of real arms.

Their true figures are drawn by seed and never given to the rest of the package. They use `mechanics`, never
`landing` or `correction`: a stand-in must not share the code that it tests.
"""

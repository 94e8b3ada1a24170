"""A servo on a rig as a stand-in for a board, as plain as can be: its channel, its figures, what a hand does.

    python rig_standin.py CHANNEL HAND [name=value ...]

A proportional drive with a dead band and friction, a motor that reaches in 15 ms what its torque lets it, play between
motor and shaft, a potentiometer on the shaft. HAND is a file of lines `load KGCM` and `push WAY`, which may grow. It
shares no code with the program under test.
"""

import math
import random
import sys

channel, hand = int(sys.argv[1]), open(sys.argv[2])  # noqa: SIM115 - read while it grows
figures = {
    "zero": 1480.0, "us_per_deg": 11.1, "stall": 11.0, "speed": 420.0, "full": 4.0, "band": 0.35, "friction": 0.5,
    "play": 0.25, "dead_ms": 30, "mv_per_deg": -12.0, "noise_mv": 2.5,
}  # fmt: skip
figures.update((name, float(value)) for name, value in (word.split("=") for word in sys.argv[3:]))
f = type("Figures", (), figures)
motor, shaft, speed, load, push, led = 12.0, 12.0, 0.0, 0.0, 0, 0.0
waiting = [0] * (int(f.dead_ms) + 1)
noise = random.Random(1)
for count, line in enumerate(sys.stdin):
    t_us, *pulses, relay = map(int, line.split())
    if count % 5 == 0:
        for said in hand.readlines():
            word, value = said.split()
            load, push, led = (float(value), 0, 0.0) if word == "load" else (0.0, int(value), 0.0)
    waiting.append(pulses[channel] if relay else 0)
    pulse = waiting.pop(0)
    if push and not pulse:
        # A hand turns the horn by 20 degrees, and drags the motor along.
        if abs(led) < 20.0:
            led += push * 0.04
            shaft += push * 0.04
        motor = min(max(motor, shaft - f.play / 2), shaft + f.play / 2)
        speed = 0.0
    else:
        error = (pulse - f.zero) / f.us_per_deg - shaft
        drive = 0.0 if not pulse or abs(error) <= f.band / 2 else min(max(error / f.full, -1.0), 1.0)
        net = f.stall * drive + load
        steady = 0.0 if abs(net) <= f.friction else (net - math.copysign(f.friction, net)) / f.stall * f.speed
        speed += (steady - speed) / 15.0
        motor += speed * 1e-3
        if abs(load) > 0.02 * f.friction:
            goal = motor + math.copysign(f.play / 2, load)
            shaft += min(max(goal - shaft, -f.play / 20), f.play / 20) + speed * 1e-3
        shaft = min(max(shaft, motor - f.play / 2), motor + f.play / 2)
    wipers = [0] * 12
    if relay:
        wipers[channel] = round(2500 + f.mv_per_deg * shaft + noise.gauss(0.0, f.noise_mv))
    amps = round(10 + 900 * abs(speed) / f.speed)
    print(*wipers, 6000 * relay, amps * relay, 0, flush=True)

"""A stand-in for twelve servos, as plain as can be: each wiper goes towards its pulse at one speed.

500 to 2500 us are 0.5 to 4.5 V. Without pulses a servo stays where it is. Options: `stuck=CHANNEL` never moves,
`start=US` is the pulse that belongs to where all stand at first, `sag=MS` takes the supply down to `low=MV` from then
on, `back=MS` until then, `noise=MV` is the standard deviation of what a wiper shows, the same for 20 ms.
"""

import random
import sys

SPEED_MV_PER_MS = 20.0  # a quick servo: 60 degrees, 1.33 V, in 67 ms

options = dict(word.split("=") for word in sys.argv[1:])
stuck = int(options.get("stuck", -1))
low, noise, draw = int(options.get("low", 3000)), float(options.get("noise", 0)), random.Random(1)
sag_ms, back_ms = int(options.get("sag", 10**9)), int(options.get("back", 10**9))
wiper = [500 + (float(options.get("start", 1500)) - 500) * 2] * 12
off = [0.0] * 12
for line in sys.stdin:
    numbers = line.split()
    on = numbers[13] == "1"
    for i in range(12):
        pulse = int(numbers[1 + i])
        if on and pulse and i != stuck:
            way = 500 + (pulse - 500) * 2 - wiper[i]
            wiper[i] += max(-SPEED_MV_PER_MS, min(SPEED_MV_PER_MS, way))
    supply = 0 if not on else low if sag_ms <= int(numbers[0]) / 1000 < back_ms else 6000
    if int(numbers[0]) // 1000 % 20 == 0:
        off = [draw.gauss(0.0, noise) for _ in range(12)]
    seen = [round(w + o) if on else 0 for w, o in zip(wiper, off, strict=True)]
    sys.stdout.write(" ".join(map(str, [*seen, supply, 300, 200])) + "\n")
    sys.stdout.flush()

// Where links stand at given joint angles: frames as 12 numbers, a turn by rows and a place in mm.
export function decode(text) {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  return new Float32Array(bytes.buffer);
}

function times(R, S) {
  const out = new Array(9);
  for (let r = 0; r < 3; r++)
    for (let c = 0; c < 3; c++) out[3 * r + c] = R[3 * r] * S[c] + R[3 * r + 1] * S[3 + c] + R[3 * r + 2] * S[6 + c];
  return out;
}

export function turned(R, v) {
  return [0, 1, 2].map((r) => R[3 * r] * v[0] + R[3 * r + 1] * v[1] + R[3 * r + 2] * v[2]);
}

// The turn by `angle` about a unit axis (Rodrigues' formula).
export function turn(axis, angle) {
  const [x, y, z] = axis;
  const c = Math.cos(angle);
  const s = Math.sin(angle);
  const t = 1 - c;
  return [
    t * x * x + c, t * x * y - s * z, t * x * z + s * y,
    t * x * y + s * z, t * y * y + c, t * y * z - s * x,
    t * x * z - s * y, t * y * z + s * x, t * z * z + c,
  ];
}

export { times };

// Frames of an arm's links and of its tool at q, in rad.
export function frames(arm, q) {
  let R = arm.base.flat();
  let p = arm.base_mm;
  const links = [];
  arm.joints.forEach((joint, i) => {
    const d = turned(R, joint.offset_mm);
    p = [p[0] + d[0], p[1] + d[1], p[2] + d[2]];
    R = times(R, turn(joint.axis, q[i]));
    links.push({ R, p });
  });
  const d = turned(R, arm.tcp_mm);
  const tool = { R: times(R, arm.turn.flat()), p: [p[0] + d[0], p[1] + d[1], p[2] + d[2]] };
  return { links, tool };
}

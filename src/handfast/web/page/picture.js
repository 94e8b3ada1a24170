// The bench in space: arms, table, boxes and what is held; taught and landed outlines; the paddle that moves a TCP.
import { OrbitControls, THREE } from "nicegui-scene";
import { frames, times, turn } from "./arms.js";
import { clamp } from "./dom.js";

const AXES = { X: [1, 0, 0], Y: [0, 1, 0], Z: [0, 0, 1] };
const SIDES = ["left", "right"];

function colours() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => new THREE.Color(style.getPropertyValue(name).trim() || "#888888");
  return {
    ground: of("--view"), mat: of("--mat"), line: of("--mat-line"), ink: of("--ink"), left: of("--left-body"),
    right: of("--right-body"), box: of("--box"), thing: of("--thing"), both: of("--both"), landed: of("--plum"),
    dead: of("--amber"), paddle: of("--paddle"), paddleInk: of("--paddle-ink"), leftLine: of("--left"), rightLine: of("--right"),
  };
}

export class Picture {
  constructor(at, { onDrag, onDrop, onTime }) {
    this.at = at;
    this.on = { onDrag, onDrop, onTime };
    this.q = null;
    this.gaps = [40, 40];
    this.motion = null;
    this.time = 0;
    this.playing = false;
    this.speed = 1;
    this.facing = "Y";
    this.hand = null; // arm whose TCP the paddle holds
    this.exaggeration = 1;
    this.showReach = true;
    this.frameTimes = [];
    this.gone = false;
    this.renderer = new THREE.WebGLRenderer({ antialias: true });
    this.renderer.setPixelRatio(Math.min(devicePixelRatio || 1, 2));
    const canvas = this.renderer.domElement;
    canvas.setAttribute("role", "img");
    canvas.setAttribute("aria-label", "The bench in space. The same figures stand beside it in words.");
    at.append(canvas);
    this.scene = new THREE.Scene();
    this.camera = new THREE.PerspectiveCamera(32, 1, 10, 8000);
    this.camera.up.set(0, 0, 1);
    this.controls = new OrbitControls(this.camera, canvas);
    this.controls.enableDamping = false;
    this.controls.maxPolarAngle = Math.PI * 0.54;
    this.controls.addEventListener("change", () => this.draw());
    this.light = new THREE.HemisphereLight(0xffffff, 0x8a8a80, 2.1);
    this.sun = new THREE.DirectionalLight(0xffffff, 1.5);
    this.sun.position.set(-300, -700, 1000);
    this.scene.add(this.light, this.sun);
    this.ray = new THREE.Raycaster();
    this.build = new THREE.Group();
    this.marks = new THREE.Group();
    this.scene.add(this.build, this.marks);
    this.size = new ResizeObserver(() => this.fit());
    this.size.observe(at);
    this.dark = matchMedia("(prefers-color-scheme: dark)");
    this.redye = () => this.bench && this.setBench(this.bench, true);
    this.dark.addEventListener("change", this.redye);
    canvas.addEventListener("pointerdown", (e) => this.press(e), true);
    canvas.addEventListener("pointermove", (e) => this.move(e));
    canvas.addEventListener("pointerup", (e) => this.release(e));
    canvas.addEventListener("pointercancel", (e) => this.release(e, true));
    this.fit();
  }

  dispose() {
    this.gone = true;
    this.size.disconnect();
    this.dark.removeEventListener("change", this.redye);
    this.controls.dispose();
    this.empty(this.build);
    this.empty(this.marks);
    this.renderer.dispose();
    this.renderer.domElement.remove();
  }

  empty(group) {
    group.traverse((one) => {
      one.geometry?.dispose();
      if (one.material) {
        one.material.map?.dispose();
        one.material.dispose();
      }
    });
    group.clear();
  }

  fit() {
    const { clientWidth: w, clientHeight: t } = this.at;
    if (!w || !t) return;
    this.renderer.setSize(w, t, false);
    this.camera.aspect = w / t;
    this.camera.updateProjectionMatrix();
    this.draw();
  }

  draw() {
    if (this.asked || this.gone) return;
    this.asked = requestAnimationFrame((now) => {
      this.asked = 0;
      if (this.playing) this.step(now);
      this.renderer.render(this.scene, this.camera);
      this.drawn = (this.drawn || 0) + 1;
      if (this.playing) this.draw();
    });
  }

  // -- what stands there -------------------------------------------------------------------------------

  solid(geometry, colour, opacity = 1) {
    const material = new THREE.MeshLambertMaterial({ color: colour, transparent: opacity < 1, opacity });
    return new THREE.Mesh(geometry, material);
  }

  // A body with a thin rim in ink, as in a drawing.
  rimmed(make, colour, rim) {
    const group = new THREE.Group();
    group.add(this.solid(make(0), colour));
    group.add(new THREE.Mesh(make(rim), new THREE.MeshBasicMaterial({ color: this.c.ink, side: THREE.BackSide })));
    return group;
  }

  setBench(bench, again = false) {
    this.bench = bench;
    this.c = colours();
    this.empty(this.build);
    this.scene.background = this.c.ground;
    const { low_mm: low, high_mm: high } = bench.table;
    const w = high[0] - low[0];
    const d = high[1] - low[1];
    const mat = this.solid(new THREE.BoxGeometry(w, d, 8), this.c.mat);
    mat.position.set((low[0] + high[0]) / 2, (low[1] + high[1]) / 2, -4.6);
    this.build.add(mat);
    const points = [];
    for (let x = Math.ceil(low[0] / 100) * 100; x <= high[0]; x += 100) points.push(x, low[1], 0, x, high[1], 0);
    for (let y = Math.ceil(low[1] / 100) * 100; y <= high[1]; y += 100) points.push(low[0], y, 0, high[0], y, 0);
    const lines = new THREE.BufferGeometry();
    lines.setAttribute("position", new THREE.Float32BufferAttribute(points, 3));
    this.build.add(new THREE.LineSegments(lines, new THREE.LineBasicMaterial({ color: this.c.line })));
    for (const o of bench.obstacles) {
      const box = this.rimmed((r) => new THREE.BoxGeometry(...o.size_mm.map((s) => s + 2 * r)), this.c.box, 1);
      box.position.set(...o.center_mm);
      box.rotation.z = (o.yaw_deg * Math.PI) / 180;
      this.build.add(box);
    }
    this.links = bench.bodies.map((body) => {
      const group = new THREE.Group();
      const a = new THREE.Vector3(...body.from_mm);
      const b = new THREE.Vector3(...body.to_mm);
      const length = a.distanceTo(b);
      const side = body.name.split(" ")[0];
      const jaw = body.name.endsWith("gripper");
      const make = (r) => new THREE.CapsuleGeometry((jaw ? 0.8 : 0.92) * body.radius_mm + r, length * (jaw ? 0.5 : 1), 6, 18);
      const rod = this.rimmed(make, this.c[side], 1.3);
      rod.position.copy(a.clone().add(b).multiplyScalar(0.5));
      if (jaw) rod.position.copy(a.clone().lerp(b, 0.3));
      if (length > 1e-6) rod.quaternion.setFromUnitVectors(new THREE.Vector3(0, 1, 0), b.clone().sub(a).normalize());
      group.add(rod);
      group.matrixAutoUpdate = false;
      this.build.add(group);
      return group;
    });
    this.jaws = {};
    for (const side of SIDES) {
      const arm = bench.arms[side];
      const foot = this.rimmed((r) => new THREE.CylinderGeometry(34 + r, 40 + r, 16 + r, 28), this.c[side], 1.3);
      foot.rotation.x = Math.PI / 2;
      foot.position.set(arm.base_mm[0], arm.base_mm[1], arm.base_mm[2] + 8);
      this.build.add(foot);
      const tool = new THREE.Group();
      tool.matrixAutoUpdate = false;
      const pads = [1, -1].map((way) => {
        const pad = this.rimmed(
          (r) => new THREE.BoxGeometry(arm.finger_width_mm + 2 * r, 5 + 2 * r, arm.finger_length_mm + 2 * r), this.c[side], 0.9,
        );
        pad.position.set(0, 0, 8 - arm.finger_length_mm / 2);
        pad.userData.way = way;
        tool.add(pad);
        return pad;
      });
      this.build.add(tool);
      this.jaws[side] = { tool, pads };
    }
    this.held = new THREE.Group();
    this.build.add(this.held);
    this.heldName = "";
    this.reachGroup = new THREE.Group();
    this.build.add(this.reachGroup);
    if (this.reach) this.setReach(this.reach);
    if (!again) this.lookFrom("front");
    if (!this.q || this.q.length !== bench.arms.left.joints.length + bench.arms.right.joints.length)
      this.q = SIDES.flatMap((s) => bench.arms[s].joints.map((j) => ((j.travel_deg[0] + j.travel_deg[1]) * Math.PI) / 360));
    this.setMarks(this.marked);
    this.pose();
  }

  setReach(reach) {
    this.reach = reach;
    if (!this.reachGroup || !this.c) return;
    this.empty(this.reachGroup);
    this.reachGroup.visible = this.showReach;
    if (!reach) return;
    const shape = new THREE.Group();
    for (const rim of reach.both) {
      const flat = new THREE.Shape(rim.map(([x, y]) => new THREE.Vector2(x, y)));
      const area = new THREE.Mesh(
        new THREE.ShapeGeometry(flat),
        new THREE.MeshBasicMaterial({ color: this.c.both, transparent: true, opacity: 0.16, side: THREE.DoubleSide, depthWrite: false }),
      );
      area.position.z = 1;
      shape.add(area);
    }
    for (const side of SIDES)
      for (const rim of reach[side]) {
        const points = [...rim, rim[0]].map(([x, y]) => new THREE.Vector3(x, y, 1.5));
        const geometry = new THREE.BufferGeometry().setFromPoints(points);
        const colour = this.c[`${side}Line`];
        const material =
          side === "left"
            ? new THREE.LineBasicMaterial({ color: colour })
            : new THREE.LineDashedMaterial({ color: colour, dashSize: 9, gapSize: 6 });
        const line = new THREE.Line(geometry, material);
        line.computeLineDistances();
        shape.add(line);
      }
    this.reachGroup.add(shape);
    this.draw();
  }

  toggleReach(on) {
    this.showReach = on;
    if (this.reachGroup) this.reachGroup.visible = on;
    this.draw();
  }

  lookFrom(where) {
    const { low_mm: low, high_mm: high } = this.bench.table;
    const middle = new THREE.Vector3((low[0] + high[0]) / 2, (low[1] + high[1]) / 2, 70);
    const far = Math.max(high[0] - low[0], (high[1] - low[1]) * 1.2) * 1.55 + 200;
    const from = {
      front: [0.12, -0.86, 0.5], side: [-1, -0.12, 0.28], above: [0, -0.02, 1], back: [-0.1, 0.86, 0.5],
    }[where] || [0.12, -0.86, 0.5];
    const way = new THREE.Vector3(...from).normalize();
    this.controls.target.copy(middle);
    this.camera.position.copy(middle.clone().addScaledVector(way, far));
    this.controls.update();
    this.draw();
  }

  lookAt(arm) {
    const { tool } = this.frames(arm);
    const p = new THREE.Vector3(...tool.p);
    const way = this.camera.position.clone().sub(this.controls.target).normalize();
    this.controls.target.copy(p);
    this.camera.position.copy(p.clone().addScaledVector(way, 420));
    this.controls.update();
    this.draw();
  }

  // -- where it stands ---------------------------------------------------------------------------------

  part(side) {
    const arm = this.bench.arms[side];
    return this.q.slice(arm.first, arm.first + arm.joints.length);
  }

  frames(side) {
    return frames(this.bench.arms[side], this.part(side));
  }

  setArm(side, q) {
    const arm = this.bench.arms[side];
    q.forEach((angle, i) => (this.q[arm.first + i] = angle));
    this.pose();
  }

  pose() {
    if (!this.bench) return;
    const all = [];
    this.tools = {};
    for (const side of SIDES) {
      const at = this.frames(side);
      all.push(...at.links);
      this.tools[side] = at.tool;
      const jaw = this.jaws[side];
      this.place(jaw.tool, at.tool);
      const gap = this.gaps[SIDES.indexOf(side)];
      for (const pad of jaw.pads) pad.position.y = pad.userData.way * (gap / 2 + 2.5);
    }
    this.bench.bodies.forEach((body, i) => this.place(this.links[i], all[body.link]));
    this.poseHeld();
    this.posePaddle();
    this.draw();
  }

  place(group, { R, p }) {
    group.matrix.set(R[0], R[1], R[2], p[0], R[3], R[4], R[5], p[1], R[6], R[7], R[8], p[2], 0, 0, 0, 1);
    group.matrixWorldNeedsUpdate = true;
  }

  poseHeld() {
    const now = this.motion && !this.dragged && !this.live ? this.motion.held.filter((x) => x.from_s <= this.time && this.time < x.to_s) : [];
    const names = [...new Set(now.map((x) => x.thing))];
    if (names.join() !== this.heldName) {
      this.empty(this.held);
      this.heldName = names.join();
      for (const name of names) {
        const thing = this.bench.things.find((t) => t.name === name);
        if (!thing) continue;
        const box = this.rimmed((r) => new THREE.BoxGeometry(...thing.size_mm.map((s) => s + 2 * r)), this.c.thing, 0.9);
        box.userData.name = name;
        this.held.add(box);
      }
    }
    for (const box of this.held.children) {
      const mine = now.filter((x) => x.thing === box.userData.name);
      const thing = this.bench.things.find((t) => t.name === box.userData.name);
      const tips = mine.map((x) => this.tools[x.arm].p);
      if (mine.length === 2 && thing.grip_span_mm > 0) {
        const [a, b] = tips.map((p) => new THREE.Vector3(...p));
        const along = b.clone().sub(a).normalize();
        const across = new THREE.Vector3(0, 0, 1).cross(along).normalize();
        const up = along.clone().cross(across);
        box.setRotationFromMatrix(new THREE.Matrix4().makeBasis(along, across, up));
        box.position.copy(a.add(b).multiplyScalar(0.5)).addScaledVector(up, -thing.grip_height_mm);
      } else {
        const tool = this.tools[mine[0].arm];
        const level = Math.atan2(tool.R[4], tool.R[1]) - Math.PI / 2;
        box.rotation.set(0, 0, level);
        box.position.set(tool.p[0], tool.p[1], tool.p[2] - thing.grip_height_mm);
      }
    }
  }

  // -- motion ------------------------------------------------------------------------------------------

  setMotion(motion) {
    this.motion = motion;
    this.time = clamp(this.time, 0, motion ? (motion.samples - 1) * motion.dt_s : 0);
  }

  show(time) {
    const m = this.motion;
    if (!m || !m.samples) return;
    this.time = clamp(time, 0, (m.samples - 1) * m.dt_s);
    const at = this.time / m.dt_s;
    const n = Math.min(Math.floor(at), m.samples - 1);
    const next = Math.min(n + 1, m.samples - 1);
    const r = at - n;
    const k = m.joints;
    for (let i = 0; i < k; i++) this.q[i] = (1 - r) * m.q[n * k + i] + r * m.q[next * k + i];
    for (let i = 0; i < 2; i++) this.gaps[i] = (1 - r) * m.gaps[2 * n + i] + r * m.gaps[2 * next + i];
    this.pose();
    this.on.onTime(this.time);
  }

  // Where arms that are being played really stand, at a moment of the motion (null: one that is not known). q: all joints.
  follow(time, q) {
    if (time !== null) this.show(time);
    this.q = [...q];
    this.pose();
  }

  play(on) {
    this.playing = on && Boolean(this.motion);
    this.last = undefined;
    this.frameTimes.length = 0;
    this.draw();
  }

  step(now) {
    if (this.last !== undefined) {
      const passed = (now - this.last) / 1000;
      this.frameTimes.push(passed);
      if (this.frameTimes.length > 600) this.frameTimes.shift();
      const end = (this.motion.samples - 1) * this.motion.dt_s;
      const time = this.time + passed * this.speed;
      this.show(time >= end ? 0 : time);
    }
    this.last = now;
  }

  // -- outlines and dead motion ------------------------------------------------------------------------

  // Taught and landed outlines of a gripper, and its dead motion. marks: [{arm, q, landing}].
  setMarks(marks) {
    this.marked = marks;
    if (!this.c) return;
    this.empty(this.marks);
    this.paddle = null;
    for (const { arm, q, landing } of marks || []) {
      const tool = frames(this.bench.arms[arm], q).tool;
      this.outline(this.bench.arms[arm], tool, [0, 0, 0], this.c.ink, false);
      if (!landing) continue;
      const shift = landing.miss_mm.map((m) => m * this.exaggeration);
      this.outline(this.bench.arms[arm], tool, shift, this.c.landed, true);
      const half = landing.dead_motion_mm.map((w) => Math.max(0.15, (w / 2) * this.exaggeration));
      const body = new THREE.Mesh(
        new THREE.SphereGeometry(1, 24, 16),
        new THREE.MeshBasicMaterial({ color: this.c.dead, transparent: true, opacity: 0.45, depthTest: false }),
      );
      body.scale.set(...half);
      body.position.set(...tool.p.map((x, i) => x + shift[i]));
      body.renderOrder = 3;
      this.marks.add(body);
    }
    this.makePaddle();
    this.draw();
  }

  outline(arm, tool, shift, colour, dashed) {
    const w = arm.finger_width_mm / 2;
    const l = arm.finger_length_mm;
    const g = arm.opening_mm[1] / 2;
    const points = [];
    const to = (...p) => points.push(...p);
    for (const x of [-w, w]) {
      to(x, -g, 0, x, -g, -l, x, -g, -l, x, g, -l, x, g, -l, x, g, 0);
      to(x, 0, -l, x, 0, -l - 22);
    }
    for (const y of [-g, g]) to(-w, y, 0, w, y, 0, -w, y, -l, w, y, -l);
    const geometry = new THREE.BufferGeometry();
    geometry.setAttribute("position", new THREE.Float32BufferAttribute(points, 3));
    const material = dashed
      ? new THREE.LineDashedMaterial({ color: colour, dashSize: 4, gapSize: 2.5, depthTest: false })
      : new THREE.LineBasicMaterial({ color: colour, depthTest: false });
    const lines = new THREE.LineSegments(geometry, material);
    if (dashed) lines.computeLineDistances();
    lines.renderOrder = 4;
    lines.matrixAutoUpdate = false;
    this.place(lines, { R: tool.R, p: tool.p.map((x, i) => x + shift[i]) });
    this.marks.add(lines);
  }

  // -- the paddle --------------------------------------------------------------------------------------

  setHand(arm, facing) {
    this.hand = arm;
    this.facing = facing;
    this.makePaddle();
    this.draw();
  }

  makePaddle() {
    if (this.paddle) {
      this.marks.remove(this.paddle);
      this.empty(this.paddle);
      this.paddle = null;
    }
    if (!this.hand || !this.c) return;
    const paddle = new THREE.Group();
    const face = document.createElement("canvas");
    face.width = face.height = 128;
    const pen = face.getContext("2d");
    pen.fillStyle = `#${this.c.paddle.getHexString()}`;
    pen.fillRect(0, 0, 128, 128);
    pen.fillStyle = `#${this.c.paddleInk.getHexString()}`;
    pen.font = "bold 76px Georgia, 'Noto Serif', serif";
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    pen.fillText(this.facing, 64, 70);
    const blade = new THREE.Shape();
    const s = 17;
    const r = 7;
    blade.moveTo(-s + r, -s);
    blade.lineTo(s - r, -s);
    blade.quadraticCurveTo(s, -s, s, -s + r);
    blade.lineTo(s, s - r);
    blade.quadraticCurveTo(s, s, s - r, s);
    blade.lineTo(-s + r, s);
    blade.quadraticCurveTo(-s, s, -s, s - r);
    blade.lineTo(-s, -s + r);
    blade.quadraticCurveTo(-s, -s, -s + r, -s);
    const geometry = new THREE.ShapeGeometry(blade, 6);
    const place = geometry.attributes.position;
    const uv = new Float32Array(place.count * 2);
    for (let i = 0; i < place.count; i++) {
      uv[2 * i] = (place.getX(i) + s) / (2 * s);
      uv[2 * i + 1] = (place.getY(i) + s) / (2 * s);
    }
    geometry.setAttribute("uv", new THREE.BufferAttribute(uv, 2));
    const texture = new THREE.CanvasTexture(face);
    texture.colorSpace = THREE.SRGBColorSpace;
    const plain = { transparent: true, opacity: 0.9, side: THREE.DoubleSide, depthTest: false };
    const flat = new THREE.Mesh(geometry, new THREE.MeshBasicMaterial({ map: texture, ...plain }));
    flat.userData.does = "move";
    const grip = new THREE.Mesh(new THREE.PlaneGeometry(7, 34), new THREE.MeshBasicMaterial({ color: this.c.paddle, ...plain }));
    grip.position.set(0, s + 16, 0);
    const knob = new THREE.Mesh(new THREE.CircleGeometry(8, 24), new THREE.MeshBasicMaterial({ color: this.c.paddle, ...plain }));
    knob.position.set(0, s + 36, 0);
    grip.userData.does = knob.userData.does = "turn";
    const rim = new THREE.LineLoop(
      new THREE.BufferGeometry().setFromPoints(blade.getPoints(6)),
      new THREE.LineBasicMaterial({ color: this.c.paddleInk, depthTest: false }),
    );
    for (const one of [grip, knob, flat, rim]) {
      one.renderOrder = one === rim ? 7 : 6;
      paddle.add(one);
    }
    this.paddle = paddle;
    this.marks.add(paddle);
    this.posePaddle();
  }

  posePaddle() {
    if (!this.paddle || !this.tools) return;
    const p = this.tools[this.hand].p;
    this.paddle.position.set(...p);
    const normal = AXES[this.facing];
    const up = this.facing === "Z" ? [0, 1, 0] : [0, 0, 1];
    const across = new THREE.Vector3(...up).cross(new THREE.Vector3(...normal));
    const basis = new THREE.Matrix4().makeBasis(across, new THREE.Vector3(...up), new THREE.Vector3(...normal));
    this.paddle.setRotationFromMatrix(basis);
    if (this.dragged?.does === "turn") this.paddle.rotateZ(this.dragged.angle);
    // As large as a finger wants it, however near one looks.
    this.paddle.scale.setScalar(clamp(this.camera.position.distanceTo(this.paddle.position) / 900, 0.35, 1.6));
    // Seen from behind, the letter is turned over: show it from the other side.
    const seen = this.camera.position.clone().sub(this.paddle.position).dot(new THREE.Vector3(...normal));
    if (seen < 0) this.paddle.rotateY(Math.PI);
  }

  aim(event) {
    const box = this.renderer.domElement.getBoundingClientRect();
    const at = new THREE.Vector2(((event.clientX - box.left) / box.width) * 2 - 1, 1 - ((event.clientY - box.top) / box.height) * 2);
    this.ray.setFromCamera(at, this.camera);
  }

  press(event) {
    if (!this.paddle || event.button !== 0) return;
    this.aim(event);
    const hit = this.ray.intersectObjects(this.paddle.children.filter((x) => x.userData.does))[0];
    if (!hit) return;
    event.stopImmediatePropagation();
    event.preventDefault();
    this.play(false);
    this.renderer.domElement.setPointerCapture(event.pointerId);
    const p = new THREE.Vector3(...this.tools[this.hand].p);
    const plane = new THREE.Plane().setFromNormalAndCoplanarPoint(new THREE.Vector3(...AXES[this.facing]), p);
    this.dragged = {
      does: hit.object.userData.does, plane, from: hit.point.clone(), start: p, R: this.tools[this.hand].R, angle: 0, arm: this.hand,
      moved: false,
    };
  }

  move(event) {
    if (!this.dragged) {
      if (this.paddle && event.buttons === 0) {
        this.aim(event);
        const hit = this.ray.intersectObjects(this.paddle.children.filter((x) => x.userData.does))[0];
        this.renderer.domElement.style.cursor = hit ? (hit.object.userData.does === "turn" ? "alias" : "move") : "";
      }
      return;
    }
    this.aim(event);
    const hit = this.ray.ray.intersectPlane(this.dragged.plane, new THREE.Vector3());
    if (!hit) return;
    const d = this.dragged;
    d.moved = true;
    if (d.does === "move") {
      const p = d.start.clone().add(hit.sub(d.from));
      this.on.onDrag({ arm: d.arm, R: d.R, p_mm: [p.x, p.y, p.z] });
    } else {
      const a = d.from.clone().sub(d.start);
      const b = hit.sub(d.start);
      d.angle = Math.atan2(new THREE.Vector3().crossVectors(a, b).dot(d.plane.normal), a.dot(b));
      this.on.onDrag({ arm: d.arm, R: times(turn(AXES[this.facing], d.angle), d.R), p_mm: d.start.toArray() });
    }
  }

  release(event, cancelled = false) {
    if (!this.dragged) return;
    const moved = this.dragged.moved && !cancelled;
    const arm = this.dragged.arm;
    this.dragged = null;
    this.on.onDrop(arm, moved);
    this.pose();
  }

  // A drag that is given up: what it held goes back.
  cancel() {
    if (!this.dragged) return;
    this.dragged.cancelled = true;
    this.release(null, true);
  }

  // Where a point of the world is seen, in pixels of the window: for tests and for words beside it.
  seen(p) {
    const v = new THREE.Vector3(...p).project(this.camera);
    const box = this.renderer.domElement.getBoundingClientRect();
    return [box.left + ((v.x + 1) / 2) * box.width, box.top + ((1 - v.y) / 2) * box.height];
  }
}

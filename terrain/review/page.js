"use strict";
// Draws the site in 3D from the arrays in #scene: WebGL 2, no library, nothing fetched.
// Local metres: x east, y north, z up; heights are exaggerated in the shaders only.
(() => {
const scene = JSON.parse(document.getElementById("scene").textContent);
const {nx, ny, cell, x0, y0} = scene.lattice;
const byId = (id) => document.getElementById(id);
const canvas = byId("view");
const gl = canvas.getContext("webgl2", {antialias: true, alpha: false, preserveDrawingBuffer: true});
if (!gl) {
  const note = document.createElement("p");
  note.className = "failed";
  note.textContent = "This browser has no WebGL 2, so the 3D view cannot be shown. The sheets and pictures beside this file show the same site.";
  document.body.append(note);
  return;
}

// ---- arrays -------------------------------------------------------------------------------
function bytes(text) {
  const raw = atob(text), out = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
  return out;
}
function heights(text) {
  const stored = new Uint16Array(bytes(text).buffer), out = new Float32Array(stored.length);
  for (let i = 0; i < stored.length; i++) out[i] = stored[i] === scene.gap ? NaN : scene.low + scene.step * stored[i];
  return out;
}
const z = {};
for (const name in scene.heights) z[name] = heights(scene.heights[name]);
const sky = {};
for (const name in scene.sky) sky[name] = bytes(scene.sky[name]);
const slid = {};  // metres that each node slides sideways, so that walls are straight
for (const name in scene.slid) slid[name] = Float32Array.from(new Int8Array(bytes(scene.slid[name]).buffer), (v) => v * scene.slide_m);
const owner = new Uint16Array(bytes(scene.owner).buffer);
const earth = z.existing.map((h, i) => {  // removed below zero, placed above
  const removed = h - z.dig[i], placed = z.subgrade[i] - h;
  if (Math.max(removed, placed) <= scene.worked_m) return 0;
  return removed >= placed ? -removed : placed;
});
let low = Infinity, high = -Infinity;
for (const name of ["existing", "dig", "finish"]) for (const h of z[name]) { if (h < low) low = h; if (h > high) high = h; }
const floor = low - 0.03 * cell * Math.max(nx, ny) / scene.vertical;
const across = cell * Math.hypot(nx, ny);
const rgb = (hex) => [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16) / 255);

// ---- meshes -------------------------------------------------------------------------------
function cellsWhere(known) {
  const out = [];
  for (let r = 0; r + 1 < ny; r++) for (let c = 0; c + 1 < nx; c++) {
    const a = r * nx + c;
    if (known(a) && known(a + 1) && known(a + nx) && known(a + nx + 1)) out.push(a);
  }
  return out;
}
function triangles(cells, h) {
  const out = new Uint32Array(cells.length * 6);
  cells.forEach((a, k) => {
    const b = a + 1, d = a + nx, e = d + 1;
    const along = Math.abs(h[a] - h[e]) <= Math.abs(h[b] - h[d]);
    out.set(along ? [a, b, e, a, e, d] : [a, b, d, b, e, d], k * 6);
  });
  return out;
}
const whole = cellsWhere((i) => !isNaN(z.existing[i]));
function skirt(name) {  // the cut faces of the block, from the survey's edge down to the floor
  const solid = new Uint8Array(nx * ny), corners = [], h = z[name], s = slid[name];
  for (const a of whole) solid[a] = 1;
  const at = (i, height) => corners.push(x0 + (i % nx) * cell + s[2 * i], y0 + Math.floor(i / nx) * cell + s[2 * i + 1], height);
  const wall = (a, b) => { at(a, h[a]); at(a, floor); at(b, floor); at(a, h[a]); at(b, floor); at(b, h[b]); };
  for (const a of whole) {
    const r = Math.floor(a / nx), c = a % nx;
    if (r === 0 || !solid[a - nx]) wall(a, a + 1);
    if (r + 2 === ny || !solid[a + nx]) wall(a + nx + 1, a + nx);
    if (c === 0 || !solid[a - 1]) wall(a + nx, a);
    if (c + 2 === nx || !solid[a + 1]) wall(a + 1, a + nx + 1);
  }
  return new Float32Array(corners);
}
function upload(kind, data) {
  const buffer = gl.createBuffer();
  gl.bindBuffer(kind, buffer);
  gl.bufferData(kind, data, gl.STATIC_DRAW);
  return buffer;
}
function feed(program, name, buffer, size, type, options = {}) {
  const place = gl.getAttribLocation(program, name);
  if (place < 0) return;
  gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
  gl.enableVertexAttribArray(place);
  gl.vertexAttribPointer(place, size, type, Boolean(options.share), options.stride || 0, options.from || 0);
  gl.vertexAttribDivisor(place, options.each || 0);
}

// ---- programs -----------------------------------------------------------------------------
function compile(vertex, fragment) {
  const program = gl.createProgram();
  for (const [kind, text] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, "#version 300 es\nprecision highp float;\n" + text);
    gl.compileShader(shader);
    if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(shader));
    gl.attachShader(program, shader);
  }
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program));
  const uniforms = {};
  for (let i = 0; i < gl.getProgramParameter(program, gl.ACTIVE_UNIFORMS); i++) {
    const name = gl.getActiveUniform(program, i).name;
    uniforms[name.replace("[0]", "")] = gl.getUniformLocation(program, name);
  }
  return {program, uniforms};
}
const LIT = `
uniform vec3 sun;
float lit(vec3 p) {  // each facet by its own normal, so that walls stay crisp
  vec3 n = normalize(cross(dFdx(p), dFdy(p)));
  if (n.z < -0.02) n = -n;
  return 0.50 + 0.62 * max(dot(n, sun), 0.0);
}`;
const ground = compile(`
uniform mat4 camera; uniform vec2 tall; uniform vec4 lattice; uniform int columns;
in float height; in float lower; in float existing; in float open; in float earth; in vec2 slide;
out vec3 at; out float level; out float ghost; out float moved; out float seen; out float earthed;
void main() {
  vec2 xy = lattice.xy + lattice.z * vec2(gl_VertexID % columns, gl_VertexID / columns) + slide;
  earthed = earth;
  level = height; ghost = height - lower; moved = height - existing; seen = open;
  at = vec3(xy, (height - tall.y) * tall.x);
  gl_Position = camera * vec4(at, 1.0);
}`, LIT + `
uniform vec3 plain, touched, raised; uniform vec2 contour; uniform float opacity, tint, most; uniform vec3 scale[11];
in vec3 at; in float level; in float ghost; in float moved; in float seen; in float earthed; out vec4 colour;
void main() {
  float alpha = opacity;
  if (opacity < 1.0 && ghost < 0.01) discard;
  vec3 base = plain;
  if (moved < -0.005) base = touched;
  if (moved > 0.005) base = raised;
  if (tint > 0.5 && abs(earthed) > 0.005) {
    float t = clamp(earthed / most, -1.0, 1.0) * 5.0 + 5.0;
    int k = int(min(floor(t), 9.0));
    base = mix(scale[k], scale[k + 1], t - float(k));
  }
  float line = level / contour.x, width = fwidth(line);
  float near = abs(fract(line + 0.5) - 0.5) / max(width, 1e-6);
  float heavy = abs(mod(round(line), 5.0)) < 0.5 ? 1.5 : 0.8;
  float ink = (1.0 - smoothstep(heavy - 0.5, heavy + 0.5, near)) * (1.0 - smoothstep(0.25, 0.5, width)) * contour.y;
  base *= lit(at) * seen;
  colour = vec4(mix(base, vec3(0.22, 0.17, 0.10), 0.6 * ink), alpha);
}`);
const plainly = compile(`
uniform mat4 camera; uniform vec2 tall;
in vec3 place; out vec3 at;
void main() { at = vec3(place.xy, (place.z - tall.y) * tall.x); gl_Position = camera * vec4(at, 1.0); }`, LIT + `
uniform vec4 tone; uniform float flat_tone; in vec3 at; out vec4 colour;
void main() { colour = vec4(tone.rgb * (flat_tone > 0.5 ? 1.0 : 0.35 + 0.65 * lit(at)), tone.a); }`);
const rock = compile(`
uniform mat4 camera; uniform vec2 tall;
in vec3 corner, centre, axes; in float turn; out vec3 at; out float mixed;
void main() {
  vec3 p = corner * axes * 0.5;
  at = centre + vec3(p.x * cos(turn) - p.y * sin(turn), p.x * sin(turn) + p.y * cos(turn), p.z);
  at.z = (at.z - tall.y) * tall.x;
  mixed = fract(sin(dot(centre.xy, vec2(12.9, 78.2))) * 43758.5);
  gl_Position = camera * vec4(at, 1.0);
}`, LIT + `
in vec3 at; in float mixed; out vec4 colour;
void main() { colour = vec4(mix(vec3(0.56, 0.55, 0.53), vec3(0.71, 0.66, 0.57), mixed) * (0.25 + 0.8 * lit(at)), 1.0); }`);
const wet = compile(`
uniform mat4 camera; uniform vec2 tall; uniform vec4 lattice; uniform int columns;
in float height; in float bed; out float depth;
void main() {
  vec2 xy = lattice.xy + lattice.z * vec2(gl_VertexID % columns, gl_VertexID / columns);
  depth = height - bed;
  gl_Position = camera * vec4(xy, (height - tall.y) * tall.x, 1.0);
}`, `
in float depth; out vec4 colour;
void main() {
  float d = 1.0 - exp(-max(depth, 0.0) / 0.8);
  colour = vec4(mix(vec3(0.56, 0.69, 0.73), vec3(0.29, 0.43, 0.52), d), 0.5 + 0.32 * d);
}`);

function groundMesh(name, below) {  // `below` is what shows through where this layer is a ghost
  const array = gl.createVertexArray();
  gl.bindVertexArray(array);
  feed(ground.program, "height", upload(gl.ARRAY_BUFFER, z[name]), 1, gl.FLOAT);
  feed(ground.program, "existing", upload(gl.ARRAY_BUFFER, z.existing), 1, gl.FLOAT);
  feed(ground.program, "lower", upload(gl.ARRAY_BUFFER, below), 1, gl.FLOAT);
  feed(ground.program, "earth", upload(gl.ARRAY_BUFFER, earth), 1, gl.FLOAT);
  feed(ground.program, "slide", upload(gl.ARRAY_BUFFER, slid[name]), 2, gl.FLOAT);
  feed(ground.program, "open", upload(gl.ARRAY_BUFFER, sky[name]), 1, gl.UNSIGNED_BYTE, {share: true});
  const index = triangles(whole, z[name]);
  upload(gl.ELEMENT_ARRAY_BUFFER, index);
  const sides = skirt(name), wall = gl.createVertexArray();
  gl.bindVertexArray(wall);
  feed(plainly.program, "place", upload(gl.ARRAY_BUFFER, sides), 3, gl.FLOAT);
  gl.bindVertexArray(null);
  return {array, count: index.length, wall, wallCount: sides.length / 3};
}
const meshes = {
  dig: groundMesh("dig", z.dig),
  finish: groundMesh("finish", z.dig),
  existing: groundMesh("existing", z.dig),
  existingOnFinish: null,
};
meshes.existingOnFinish = groundMesh("existing", z.finish);
const waterCells = cellsWhere((i) => !isNaN(z.water[i]));
const waterArray = gl.createVertexArray();
gl.bindVertexArray(waterArray);
const level = z.water.map((h) => (isNaN(h) ? 0 : h));
feed(wet.program, "height", upload(gl.ARRAY_BUFFER, level), 1, gl.FLOAT);
feed(wet.program, "bed", upload(gl.ARRAY_BUFFER, z.finish), 1, gl.FLOAT);
upload(gl.ELEMENT_ARRAY_BUFFER, triangles(waterCells, level));
const rocks = [];
if (scene.stones.count) {
  const index = new Uint16Array(bytes(scene.stones.triangles).buffer);
  for (const shape in scene.stones.placed) {
    const array = gl.createVertexArray(), rows = new Float32Array(bytes(scene.stones.placed[shape]).buffer);
    gl.bindVertexArray(array);
    feed(rock.program, "corner", upload(gl.ARRAY_BUFFER, new Int8Array(bytes(scene.stones.shapes[shape]).buffer)), 3, gl.BYTE, {share: true});
    const buffer = upload(gl.ARRAY_BUFFER, rows);
    feed(rock.program, "centre", buffer, 3, gl.FLOAT, {stride: 28, each: 1});
    feed(rock.program, "axes", buffer, 3, gl.FLOAT, {stride: 28, from: 12, each: 1});
    feed(rock.program, "turn", buffer, 1, gl.FLOAT, {stride: 28, from: 24, each: 1});
    upload(gl.ELEMENT_ARRAY_BUFFER, index);
    rocks.push({array, count: index.length, pieces: rows.length / 7});
  }
}
function heightAt(h, x, y) {  // bilinear; NaN off the survey
  const u = (x - x0) / cell, v = (y - y0) / cell, c = Math.floor(u), r = Math.floor(v);
  if (c < 0 || r < 0 || c + 1 >= nx || r + 1 >= ny) return NaN;
  const a = r * nx + c, s = u - c, t = v - r;
  return (h[a] * (1 - s) + h[a + 1] * s) * (1 - t) + (h[a + nx] * (1 - s) + h[a + nx + 1] * s) * t;
}
const ribbons = {};
for (const name of ["existing", "dig", "finish"]) {  // outlines as upright-facing strips of even width
  const strip = [], half = across / 900;
  for (const element of scene.elements) for (const ring of element.rings) {
    const fine = [];
    for (let i = 0; i + 1 < ring.length; i++) {
      const [p, q] = [ring[i], ring[i + 1]], n = Math.max(1, Math.ceil(Math.hypot(q[0] - p[0], q[1] - p[1]) / cell));
      for (let k = 0; k < n; k++) fine.push([p[0] + (q[0] - p[0]) * k / n, p[1] + (q[1] - p[1]) * k / n]);
    }
    const top = ([x, y]) => {
      let best = -Infinity;
      for (const dx of [-cell, 0, cell]) for (const dy of [-cell, 0, cell]) {
        const h = heightAt(z[name], x + dx, y + dy);
        if (h > best) best = h;
      }
      return best + 0.03;
    };
    fine.forEach((p, i) => {
      const q = fine[(i + 1) % fine.length], d = Math.hypot(q[0] - p[0], q[1] - p[1]) || 1;
      const ox = -(q[1] - p[1]) / d * half, oy = (q[0] - p[0]) / d * half, a = top(p), b = top(q);
      if (!isFinite(a) || !isFinite(b)) return;
      strip.push(p[0] + ox, p[1] + oy, a, p[0] - ox, p[1] - oy, a, q[0] - ox, q[1] - oy, b);
      strip.push(p[0] + ox, p[1] + oy, a, q[0] - ox, q[1] - oy, b, q[0] + ox, q[1] + oy, b);
    });
  }
  const array = gl.createVertexArray();
  gl.bindVertexArray(array);
  feed(plainly.program, "place", upload(gl.ARRAY_BUFFER, new Float32Array(strip)), 3, gl.FLOAT);
  ribbons[name] = {array, count: strip.length / 3};
}
gl.bindVertexArray(null);

// ---- layers -------------------------------------------------------------------------------
const layers = {
  existing: {words: "Existing", colour: scene.colours.ground, on: false},
  dig: {words: "Dig", colour: scene.colours.soil, on: false},
  finish: {words: "Finish", colour: scene.colours.gravel, on: true},
  water: {words: "Water", colour: scene.colours.water, on: true},
  stones: {words: "Rocks", colour: scene.colours.stone, on: true},
  contours: {words: "Contours", on: true},
  tint: {words: "Cut, fill colours", on: false},
  names: {words: "Names, outlines", on: true},
};
for (const [key, layer] of Object.entries(layers)) {
  const label = document.createElement("label"), box = document.createElement("input");
  box.type = "checkbox";
  box.id = "layer-" + key;
  box.checked = layer.on;
  box.addEventListener("change", () => { layer.on = box.checked; redraw(); });
  label.append(box);
  if (layer.colour) {
    const swatch = document.createElement("span");
    swatch.className = "swatch";
    swatch.style.background = layer.colour;
    label.append(swatch);
  }
  label.append(layer.words);
  byId("layers").append(label);
}
const inUnit = (metres, digits = 2) => (metres / scene.unit.metres).toFixed(digits).replace("-", "−");
const most = inUnit(scene.most_m, 1), stops = scene.colours.diverging.join(",");
byId("legend").innerHTML = `<div>Cut and fill, ${scene.unit.symbol}</div><div class="scale" style="background:linear-gradient(90deg,${stops})"></div>`
  + `<div class="ends"><span>−${most} removed</span><span>+${most} placed</span></div><div>Contours every ${+(scene.contour_m / scene.unit.metres).toFixed(3)} ${scene.unit.symbol}. `
  + `Where two grounds are on, the upper is shown as glass.</div>`;

// ---- camera -------------------------------------------------------------------------------
const FIELD = 28 * Math.PI / 180;
function room() {  // the part of the window that no panel covers, in pixels
  const panel = byId("panel").getBoundingClientRect(), foot = document.querySelector("footer").getBoundingClientRect();
  const top = document.querySelector("header").getBoundingClientRect().bottom;
  const narrow = innerWidth <= 640;
  return {left: 0, right: narrow ? innerWidth : panel.left, top, bottom: narrow ? panel.top : foot.top};
}
const centre = [x0 + cell * (nx - 1) / 2, y0 + cell * (ny - 1) / 2];
function home() {
  let sx = 0, sy = 0;
  for (const a of whole) { sx += z.existing[a + 1] - z.existing[a]; sy += z.existing[a + nx] - z.existing[a]; }
  const downhill = Math.hypot(sx, sy) > 1e-6 ? Math.atan2(-sy, -sx) : -Math.PI / 2;
  return fitted({turn: downhill + 0.45, lift: innerWidth > 640 ? 0.72 : 0.98, focus: [centre[0], centre[1], (low + high) / 2]});
}
function fitted(view) {  // stand just far enough away for the whole block to be seen
  const {left, right, top, bottom} = room(), f = Math.tan(FIELD / 2) * 2 / innerHeight;
  const [ct, st, cl, sl] = [Math.cos(view.turn), Math.sin(view.turn), Math.cos(view.lift), Math.sin(view.lift)];
  let far = 0;
  for (let k = 0; k < whole.length; k += 7) for (const h of [floor, z.existing[whole[k]]]) {
    const x = x0 + (whole[k] % nx) * cell - view.focus[0], y = y0 + Math.floor(whole[k] / nx) * cell - view.focus[1];
    const up = (h - view.focus[2]) * tall, near = cl * (x * ct + y * st) + sl * up;
    far = Math.max(far, near + Math.abs(y * ct - x * st) / (f * (right - left) * 0.47));
    far = Math.max(far, near + Math.abs(-sl * (x * ct + y * st) + cl * up) / (f * (bottom - top) * 0.47));
  }
  return {...view, far};
}
let tall = scene.vertical, eye = home(), touched = null;
byId("tall").value = tall;
const sub = (a, b) => a.map((v, i) => v - b[i]), dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const unit = (a) => { const n = Math.hypot(...a) || 1; return a.map((v) => v / n); };
const middle = () => [eye.focus[0], eye.focus[1], (eye.focus[2] - low) * tall];
function frame() {
  const back = [Math.cos(eye.lift) * Math.cos(eye.turn), Math.cos(eye.lift) * Math.sin(eye.turn), Math.sin(eye.lift)];
  const right = [-Math.sin(eye.turn), Math.cos(eye.turn), 0], up = cross(back, right);
  const from = middle().map((v, i) => v + eye.far * back[i]);
  const free = room();
  const shift = [(free.left + free.right) / innerWidth - 1, 1 - (free.top + free.bottom) / innerHeight];
  return {back, right, up, from, shift};
}
function cameraMatrix({back, right, up, from, shift: free}) {
  const f = 1 / Math.tan(FIELD / 2), wide = canvas.width / canvas.height, near = eye.far / 50, last = eye.far * 4 + across * 2;
  const rows = [right.map((v, i) => v * f / wide - free[0] * back[i]), up.map((v, i) => v * f - free[1] * back[i]), back.map((v) => v * (near + last) / (near - last)), back.map((v) => -v)];
  const out = new Float32Array(16);
  rows.forEach((row, r) => row.forEach((v, c) => { out[c * 4 + r] = v; }));
  const shift = [-dot(rows[0], from), -dot(rows[1], from), -dot(rows[2], from) + 2 * near * last / (near - last), -dot(rows[3], from)];
  shift.forEach((v, r) => { out[12 + r] = v; });
  return out;
}
function toScreen(matrix, x, y, h) {
  const p = [x, y, (h - low) * tall, 1], q = [0, 1, 2, 3].map((r) => p.reduce((s, v, c) => s + matrix[c * 4 + r] * v, 0));
  return [(q[0] / q[3] + 1) / 2 * innerWidth, (1 - q[1] / q[3]) / 2 * innerHeight, q[3]];
}

// ---- drawing ------------------------------------------------------------------------------
let waiting = false;
function redraw() { if (!waiting) { waiting = true; requestAnimationFrame(() => { waiting = false; draw(); }); } }
function use({program, uniforms}, matrix, sun) {
  gl.useProgram(program);
  gl.uniformMatrix4fv(uniforms.camera, false, matrix);
  gl.uniform2f(uniforms.tall, tall, low);
  if (uniforms.sun) gl.uniform3fv(uniforms.sun, sun);
  if (uniforms.lattice) { gl.uniform4f(uniforms.lattice, x0, y0, cell, 0); gl.uniform1i(uniforms.columns, nx); }
  return uniforms;
}
const SOLIDS = ["dig", "finish", "existing"];  // from below upward: the first that is on is solid
const paper = rgb("#f6f1e7"), scaleColours = new Float32Array(scene.colours.diverging.flatMap(rgb));
const TOUCHED = {existing: "ground", dig: "soil", finish: "gravel"};
function drawGround(name, solid, matrix, sun) {
  const mesh = name === "existing" && !layers.dig.on ? meshes.existingOnFinish : meshes[name];
  const u = use(ground, matrix, sun);
  gl.uniform3fv(u.plain, rgb(scene.colours.ground));
  gl.uniform3fv(u.touched, rgb(scene.colours[TOUCHED[name]]));
  gl.uniform3fv(u.raised, name === "existing" ? rgb(scene.colours.ground) : rgb("#97a184"));
  gl.uniform2f(u.contour, scene.contour_m, layers.contours.on && solid ? 1 : 0);
  gl.uniform1f(u.opacity, solid ? 1 : 0.3);
  gl.uniform1f(u.tint, layers.tint.on ? 1 : 0);
  gl.uniform1f(u.most, scene.most_m);
  gl.uniform3fv(u.scale, scaleColours);
  gl.bindVertexArray(mesh.array);
  gl.drawElements(gl.TRIANGLES, mesh.count, gl.UNSIGNED_INT, 0);
  if (!solid) return;
  const w = use(plainly, matrix, sun);
  gl.uniform4f(w.tone, ...rgb("#9c7c58"), 1);
  gl.uniform1f(w.flat_tone, 0);
  gl.bindVertexArray(mesh.wall);
  gl.drawArrays(gl.TRIANGLES, 0, mesh.wallCount);
}
function draw() {
  const dense = Math.min(devicePixelRatio || 1, 2);
  const wide = Math.round(innerWidth * dense), high_ = Math.round(innerHeight * dense);
  if (canvas.width !== wide || canvas.height !== high_) { canvas.width = wide; canvas.height = high_; }
  gl.viewport(0, 0, wide, high_);
  gl.clearColor(...paper, 1);
  gl.enable(gl.DEPTH_TEST);
  gl.depthMask(true);
  gl.disable(gl.BLEND);
  gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
  const look = frame(), matrix = cameraMatrix(look);
  // Light from the reader's upper left whichever way the site is turned, so hollows read as hollows.
  const sun = unit([0, 1, 2].map((i) => -0.62 * look.right[i] + 0.30 * look.up[i] * (i < 2 ? 1 : 0) + (i === 2 ? 0.80 : 0)));
  const on = SOLIDS.filter((name) => layers[name].on);
  if (on.length) drawGround(on[0], true, matrix, sun);
  if (layers.names.on && on.length) {
    const u = use(plainly, matrix, sun), strip = ribbons[on[0]];
    gl.uniform4f(u.tone, 0.15, 0.13, 0.11, 1);
    gl.uniform1f(u.flat_tone, 1);
    gl.bindVertexArray(strip.array);
    gl.drawArrays(gl.TRIANGLES, 0, strip.count);
  }
  if (layers.stones.on) {
    use(rock, matrix, sun);
    for (const group of rocks) {
      gl.bindVertexArray(group.array);
      gl.drawElementsInstanced(gl.TRIANGLES, group.count, gl.UNSIGNED_SHORT, 0, group.pieces);
    }
  }
  gl.enable(gl.BLEND);
  gl.blendFunc(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA);
  if (layers.water.on) {
    use(wet, matrix, sun);
    gl.depthMask(false);
    gl.bindVertexArray(waterArray);
    gl.drawElements(gl.TRIANGLES, waterCells.length * 6, gl.UNSIGNED_INT, 0);
    gl.depthMask(true);
  }
  for (const name of on.slice(1)) drawGround(name, false, matrix, sun);
  gl.bindVertexArray(null);
  dress(matrix, on);
}

// ---- what stands over the picture: names, mark, north, scale ---------------------------------
const tags = scene.elements.map((element) => {
  const tag = document.createElement("span");
  tag.textContent = element.name;
  byId("names").append(tag);
  return tag;
});
function dress(matrix, on) {
  const surface = z[on[on.length - 1] || "finish"], taken = [];
  for (const id of ["reading", "panel", "rose", "bar"]) taken.push(byId(id).getBoundingClientRect());
  taken.push(document.querySelector("header").getBoundingClientRect());
  scene.elements.forEach((element, k) => {
    const tag = tags[k], [x, y] = element.spot;
    let h = heightAt(surface, x, y);
    const water = heightAt(z.water, x, y);
    if (layers.water.on && water > h) h = water;
    const [px, py] = toScreen(matrix, x, y, h);
    tag.hidden = !layers.names.on || isNaN(h);
    tag.style.display = tag.hidden ? "none" : "";
    tag.style.transform = `translate(${Math.round(px)}px, ${Math.round(py)}px) translate(-50%, -135%)`;
    const box = tag.getBoundingClientRect();
    const hit = taken.some((t) => box.left < t.right + 3 && t.left < box.right + 3 && box.top < t.bottom + 3 && t.top < box.bottom + 3);
    if (hit) tag.style.display = "none"; else if (!tag.hidden) taken.push(box);
  });
  const mark = byId("mark");
  mark.hidden = !touched;
  if (touched) {
    const [px, py] = toScreen(matrix, ...touched);
    mark.style.left = px + "px";
    mark.style.top = py + "px";
  }
  byId("needle").setAttribute("transform", `rotate(${(eye.turn + Math.PI / 2) * 180 / Math.PI})`);
  const perMetre = innerHeight / (2 * eye.far * Math.tan(FIELD / 2)), about = Math.min(150, innerWidth / 3) / perMetre / scene.unit.metres;
  const power = 10 ** Math.floor(Math.log10(about)), length = [5, 2, 1].find((s) => s * power <= about) * power;
  byId("bar").querySelector("i").style.width = length * scene.unit.metres * perMetre + "px";
  byId("bar-words").textContent = `${+length.toPrecision(3)} ${scene.unit.symbol} at the middle`;
  byId("tall-words").textContent = +tall;
}

// ---- reading elevations -----------------------------------------------------------------------
function under(px, py) {  // first place where the ray through a pixel meets a ground that is on
  const {back, right, up, from, shift} = frame(), f = Math.tan(FIELD / 2), wide = innerWidth / innerHeight;
  const a = (2 * px / innerWidth - 1 - shift[0]) * f * wide, b = (1 - 2 * py / innerHeight - shift[1]) * f;
  const ray = unit([0, 1, 2].map((i) => a * right[i] + b * up[i] - back[i]));
  const on = SOLIDS.filter((name) => layers[name].on), surfaces = (on.length ? on : ["finish"]).map((name) => z[name]);
  const gap = (t) => {
    const x = from[0] + t * ray[0], y = from[1] + t * ray[1], h = (from[2] + t * ray[2]) / tall + low;
    let top = NaN;
    for (const s of surfaces) { const v = heightAt(s, x, y); if (!(top > v)) top = isNaN(v) ? top : v; }
    return [h - top, x, y, top];
  };
  const step = cell * 0.5, stop = eye.far * 3 + across * 2;
  let before = NaN;
  for (let t = Math.max(0, eye.far - across * 1.5 - 4 * (high - low) * tall); t < stop; t += step) {
    const [over] = gap(t);
    if (over <= 0 && before > 0) {
      let lo = t - step, hi = t;
      for (let k = 0; k < 20; k++) { const mid = (lo + hi) / 2; if (gap(mid)[0] > 0) lo = mid; else hi = mid; }
      return gap(hi).slice(1);
    }
    before = over;
  }
  return null;
}
function read(px, py) {
  touched = under(px, py);
  const box = byId("reading");
  box.replaceChildren();
  const line = (tag, text, kind) => { const e = document.createElement(tag); e.textContent = text; if (kind) e.className = kind; return e; };
  if (!touched) {
    box.append(line("p", "No ground there. Touch or click the ground to read its elevations."));
    return redraw();
  }
  const [x, y] = touched, get = (name) => heightAt(z[name], x, y);
  const who = owner[Math.round((y - y0) / cell) * nx + Math.round((x - x0) / cell)];
  box.append(line("h2", who ? scene.elements[who - 1].name : Math.abs(get("finish") - get("existing")) > scene.worked_m ? "Raised or trimmed ground" : "Untouched ground"));
  const table = document.createElement("table");
  const row = (words, text, kind) => { const tr = document.createElement("tr"); tr.append(line("td", words), line("td", text)); if (kind) tr.className = kind; table.append(tr); };
  const say = (metres) => (isNaN(metres) ? "–" : `${inUnit(metres)} ${scene.unit.symbol}`);
  row("existing", say(get("existing")));
  row("dig", say(get("dig")));
  row("finish", say(get("finish")));
  const water = get("water");
  if (water > get("finish")) row("water", say(water));
  const cut = get("existing") - get("dig"), fill = get("subgrade") - get("existing");
  row("cut", cut > 0.005 ? say(cut) : "none", cut > 0.005 ? "cut" : "");
  if (fill > 0.005) row("fill", say(fill), "fill");
  box.append(table, line("div", `E ${inUnit(x + scene.origin[0])}  N ${inUnit(y + scene.origin[1])}`, "where"));
  redraw();
}

// ---- hands and keys ---------------------------------------------------------------------------
const clamp = (v, a, b) => Math.min(b, Math.max(a, v));
function orbit(dx, dy) { eye.turn -= dx; eye.lift = clamp(eye.lift + dy, 0.06, Math.PI / 2 - 0.001); redraw(); }
function slide(dx, dy) {  // pixels
  const {right} = frame(), size = 2 * eye.far * Math.tan(FIELD / 2) / innerHeight;
  const ahead = [-Math.cos(eye.turn), -Math.sin(eye.turn)], along = size / Math.max(Math.sin(eye.lift), 0.3);
  for (const i of [0, 1]) eye.focus[i] += -dx * size * right[i] + dy * along * ahead[i];
  eye.focus[0] = clamp(eye.focus[0], x0, x0 + cell * nx);
  eye.focus[1] = clamp(eye.focus[1], y0, y0 + cell * ny);
  redraw();
}
function zoom(factor) { eye.far = clamp(eye.far * factor, across * 0.03, across * 6); redraw(); }
const held = new Map();
let moved = 0, pair = null;
canvas.addEventListener("pointerdown", (e) => {
  canvas.setPointerCapture(e.pointerId);
  held.set(e.pointerId, [e.clientX, e.clientY]);
  if (held.size === 1) moved = 0;
  pair = null;
});
canvas.addEventListener("pointermove", (e) => {
  const last = held.get(e.pointerId);
  if (!last) return;
  const dx = e.clientX - last[0], dy = e.clientY - last[1];
  held.set(e.pointerId, [e.clientX, e.clientY]);
  moved += Math.abs(dx) + Math.abs(dy);
  if (held.size === 1) {
    if (moved < 6) return;
    if (e.shiftKey || e.buttons & 6) slide(dx, dy); else orbit(dx * 0.006, dy * 0.006);
    return;
  }
  const [a, b] = [...held.values()], now = {apart: Math.hypot(a[0] - b[0], a[1] - b[1]), x: (a[0] + b[0]) / 2, y: (a[1] + b[1]) / 2, turn: Math.atan2(b[1] - a[1], b[0] - a[0])};
  if (pair) {
    zoom(pair.apart / Math.max(now.apart, 1));
    slide(now.x - pair.x, now.y - pair.y);
    eye.turn += Math.atan2(Math.sin(now.turn - pair.turn), Math.cos(now.turn - pair.turn));
  }
  pair = now;
});
for (const kind of ["pointerup", "pointercancel"]) canvas.addEventListener(kind, (e) => {
  const alone = held.size === 1;
  held.delete(e.pointerId);
  pair = null;
  if (kind === "pointerup" && alone && moved < 6) read(e.clientX, e.clientY);
});
canvas.addEventListener("contextmenu", (e) => e.preventDefault());
canvas.addEventListener("wheel", (e) => { e.preventDefault(); zoom(Math.exp(clamp(e.deltaY, -200, 200) * 0.0012)); }, {passive: false});
canvas.addEventListener("keydown", (e) => {
  const way = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]}[e.key];
  if (way && e.shiftKey) slide(-40 * way[0], -40 * way[1]);
  else if (way) orbit(-0.09 * way[0], -0.07 * way[1]);
  else if (e.key === "+" || e.key === "=") zoom(0.85);
  else if (e.key === "-") zoom(1 / 0.85);
  else if (e.key === "Enter" || e.key === " ") { const {left, right, top, bottom} = room(); read((left + right) / 2, (top + bottom) / 2); }
  else return;
  e.preventDefault();
});
byId("tall").addEventListener("input", (e) => { tall = +e.target.value; redraw(); });
const moves = {
  top() { eye = fitted({...home(), turn: -Math.PI / 2, lift: Math.PI / 2 - 0.001}); },
  home() { eye = home(); },
  in() { zoom(0.8); },
  out() { zoom(1.25); },
};
for (const button of document.querySelectorAll("#views button")) button.addEventListener("click", () => { moves[button.dataset.view](); redraw(); });
const fold = byId("fold");
function setFold(open) { fold.setAttribute("aria-expanded", String(open)); redraw(); }
fold.addEventListener("click", () => setFold(fold.getAttribute("aria-expanded") !== "true"));
if (innerWidth <= 640) { setFold(false); eye = home(); }
addEventListener("resize", redraw);
redraw();
})();

"use strict";
// Draws impression and stone. One hidden WebGL canvas serves all cards, since browsers allow only
// some sixteen at a time; each card gets its finished picture as a plain 2D drawing.
const Solid = (() => {
  const INK = [0.11, 0.14, 0.2];
  const HEAD = `#version 300 es
precision highp float; precision highp int; precision highp sampler2D;`;
  const PLACE = `
uniform mat3 turn; uniform vec3 middle; uniform vec2 scale;
uniform vec3 level; // the base line: its height in the middle, and how it rises with x and y
float lineAt(vec2 p) { return level.x + dot(level.yz, p); }
vec4 seen(vec3 p) { vec3 q = turn * (p - middle); return vec4(q.x * scale.x, q.y * scale.y, -q.z * 0.004, 1.0); }`;
  const FLOOR = `
uniform sampler2D map; uniform mat3x2 toCells;
float cell(ivec2 at) {
  ivec2 most = textureSize(map, 0) - 1;
  if (any(lessThan(at, ivec2(0))) || any(greaterThan(at, most))) return 1e3;
  return texelFetch(map, at, 0).r;
}
float floorAt(vec2 p) {
  vec2 uv = toCells * vec3(p, 1.0); ivec2 at = ivec2(floor(uv)); vec2 t = fract(uv);
  return mix(mix(cell(at), cell(at + ivec2(1, 0)), t.x),
             mix(cell(at + ivec2(0, 1)), cell(at + ivec2(1, 1)), t.x), t.y);
}`;
  // Round patches as a hand lays them: x, y, radius, and 0 for left out, 1 for taken in.
  const MOST_ROUND = 16;
  const ROUND = `
uniform vec4 rounds[${MOST_ROUND}]; uniform int count;
bool isLeftOut(vec2 p) {
  bool is = false;
  for (int k = 0; k < count; k++) if (distance(p, rounds[k].xy) < rounds[k].z) is = rounds[k].w < 0.5;
  return is;
}`;
  const SURFACE = [`${HEAD}${PLACE}
in vec3 point; in vec3 way; out vec3 p; out vec3 n;
void main() { p = point; n = turn * way; gl_Position = seen(p); }`,
  `${HEAD}${ROUND}
in vec3 p; in vec3 n; uniform vec3 colour, ink, level; uniform float cut, line; out vec4 paint;
void main() {
  if (p.y < cut) discard;
  vec3 w = normalize(n); if (!gl_FrontFacing) w = -w; if (w.z < 0.0) w = -w;
  float light = 0.34 + 0.62 * max(dot(w, normalize(vec3(-0.5, 0.55, 0.8))), 0.0)
                     + 0.14 * max(dot(w, normalize(vec3(0.8, -0.3, 0.4))), 0.0);
  vec3 c = colour * light;
  if (line > 0.5 && abs(p.z - level.x - dot(level.yz, p.xy)) < 0.13) c = ink;
  for (int k = 0; k < count; k++) {
    float from = distance(p.xy, rounds[k].xy), wide = rounds[k].z, kind = rounds[k].w;
    if (from > wide - 0.6 && from < wide) c = ink;
    else if (from < wide && kind < 0.5 && mod(p.x + p.y, 1.2) < 0.35) c = ink;
    else if (from < wide && kind > 0.5) c = mix(c, vec3(1.0), 0.4);
  }
  paint = vec4(c, 1.0);
}`];
  const TOP = [`${HEAD}${PLACE}
in vec3 point; uniform vec3 boxLow, boxSize; out vec3 p;
void main() { p = boxLow + point * boxSize; p.z = lineAt(p.xy); gl_Position = seen(p); }`,
  `${HEAD}${FLOOR}${ROUND}
in vec3 p; uniform vec3 colour; uniform float cut, cover; out vec4 paint;
void main() {
  if (p.y < cut || isLeftOut(p.xy)) discard;
  if (p.z < floorAt(p.xy)) discard;
  paint = vec4(colour, cover);
}`];
  const FACE = [`${HEAD}${PLACE}
in vec3 point; uniform vec3 boxLow, boxSize; uniform float cut; out vec3 p;
void main() { p = boxLow + point * boxSize; p.y = cut; gl_Position = seen(p); }`,
  `${HEAD}${FLOOR}${ROUND}
in vec3 p; uniform vec3 colour, ink, level; out vec4 paint;
void main() {
  if (isLeftOut(p.xy) || p.z > level.x + dot(level.yz, p.xy) || p.z < floorAt(p.xy)) discard;
  bool stripe = mod(p.x + p.z, 2.4) < 0.16;
  paint = vec4(stripe ? mix(colour, ink, 0.3) : colour, 1.0);
}`];

  const numbers = (hex) => [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16) / 255);
  let gl = null, programs = null, square = null;

  function program([vertex, fragment]) {
    const made = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(shader));
      gl.attachShader(made, shader);
    }
    gl.bindAttribLocation(made, 0, "point");
    gl.bindAttribLocation(made, 1, "way");
    gl.linkProgram(made);
    const found = {};
    return { made, at: (name) => (found[name] ??= gl.getUniformLocation(made, name)) };
  }

  function buffer(kind, data) {
    const made = gl.createBuffer();
    gl.bindBuffer(kind, made);
    gl.bufferData(kind, data, gl.STATIC_DRAW);
    return made;
  }

  function open() {
    if (gl) return true;
    gl = document.createElement("canvas").getContext("webgl2", { antialias: true, preserveDrawingBuffer: true });
    if (!gl) return false;
    gl.blendFuncSeparate(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA, gl.ONE, gl.ONE);
    programs = { surface: program(SURFACE), top: program(TOP), face: program(FACE) };
    // Corners 000, 100, 010, 110 lie level; the upright face takes x and z, see `box`.
    square = {
      level: buffer(gl.ARRAY_BUFFER, new Float32Array([0, 0, 0, 1, 0, 0, 0, 1, 0, 1, 1, 0])),
      upright: buffer(gl.ARRAY_BUFFER, new Float32Array([0, 0, 0, 1, 0, 0, 0, 0, 1, 1, 0, 1])),
    };
    return true;
  }

  // Reads what was packed: whole numbers, each told by its difference from the row above, in
  // hundredths of a mm or numbers of corners. Gives the map of the floor and the surfaces in mm.
  async function unpack(solid) {
    const bytes = Uint8Array.from(atob(solid.packed), (letter) => letter.charCodeAt(0));
    const told = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    const [floor, ...tables] = JSON.parse(await new Response(told).text());
    const summed = (table, columns) => { for (let k = columns; k < table.length; k++) table[k] += table[k - columns]; return table; };
    const inMm = (table, columns) => Float32Array.from(summed(table, columns), (steps) => steps / 100);
    const surfaces = [solid.colour, ...solid.marks.map((mark) => mark[1])].map((colour, k) => {
      const points = inMm(tables[2 * k], 3), triangles = Uint32Array.from(summed(tables[2 * k + 1], 3));
      return { colour: numbers(colour), points, triangles, ways: waysOf(points, triangles) };
    });
    return { ...solid, floor: inMm(floor, solid.columns), surfaces };
  }

  // The way out at every corner: the mean of its triangles, weighted by area.
  function waysOf(points, triangles) {
    const ways = new Float32Array(points.length);
    for (let t = 0; t < triangles.length; t += 3) {
      const [a, b, c] = [0, 1, 2].map((k) => 3 * triangles[t + k]);
      const side = (to) => [0, 1, 2].map((k) => points[to + k] - points[a + k]), [u, v] = [side(b), side(c)];
      for (let k = 0; k < 3; k++) {
        const way = u[(k + 1) % 3] * v[(k + 2) % 3] - u[(k + 2) % 3] * v[(k + 1) % 3];
        for (const corner of [a, b, c]) ways[corner + k] += way;
      }
    }
    return ways;
  }

  // Hands what was unpacked over to the graphics card.
  function load(solid) {
    if (!open()) return null;
    const surfaces = solid.surfaces.map(({ colour, points, triangles, ways }) => ({
      colour, points: buffer(gl.ARRAY_BUFFER, points), ways: buffer(gl.ARRAY_BUFFER, ways),
      count: triangles.length, triangles: buffer(gl.ELEMENT_ARRAY_BUFFER, triangles),
    }));
    const map = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, map);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.R32F, solid.columns, solid.rows, 0, gl.RED, gl.FLOAT, solid.floor);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.NEAREST);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, gl.NEAREST);
    return { solid, surfaces, map, stone: numbers(solid.stone), stoneCut: numbers(solid.stone_cut) };
  }

  // Rows of the turn: first about the upright axis, then towards the eye.
  function turned(yaw, pitch) {
    const [c, s, d, t] = [Math.cos(yaw), Math.sin(yaw), Math.cos(pitch), Math.sin(pitch)];
    const rows = [[c, -s, 0], [s * t, c * t, d], [-s * d, -c * d, t]];
    return [0, 1, 2].flatMap((column) => rows.map((row) => row[column]));
  }

  // The base line: its height in the middle, and how it rises to the right and to the front.
  function level({ height, right = 0, front = 0 }) {
    return [height, Math.tan((right * Math.PI) / 180), Math.tan((front * Math.PI) / 180)];
  }

  const middleOf = ({ low, size }) => low.map((least, k) => least + size[k] / 2);
  const near = ({ size }, look) => look.zoom / (Math.hypot(...size) / 2);

  // Where a point of the drawing is seen, as shares of the canvas from its upper left corner.
  function place(solid, look, canvas, point) {
    const turn = turned(look.yaw, look.pitch), from = middleOf(solid).map((middle, k) => point[k] - middle);
    const seen = [0, 1].map((row) => from.reduce((sum, part, k) => sum + turn[3 * k + row] * part, 0) * near(solid, look));
    return [(1 + (seen[0] * canvas.height) / canvas.width) / 2, (1 - seen[1]) / 2];
  }

  // Which place of the impression is seen at such shares of the canvas; null beside it.
  function hit({ surfaces: [{ points, triangles }], ...solid }, look, canvas, [across, down]) {
    const turn = turned(look.yaw, look.pitch), middle = middleOf(solid), by = near(solid, look);
    const x = ((2 * across - 1) * canvas.width) / canvas.height / by, y = (1 - 2 * down) / by;
    const seen = points.map((_, k) => [0, 1, 2].reduce((sum, c) => sum + turn[3 * c + (k % 3)] * (points[k - (k % 3) + c] - middle[c]), 0));
    let found = null, nearest = -Infinity;
    for (let t = 0; t < triangles.length; t += 3) {
      const [a, b, c] = [3 * triangles[t], 3 * triangles[t + 1], 3 * triangles[t + 2]];
      const side = (to, k) => seen[to + k] - seen[a + k], [px, py] = [x - seen[a], y - seen[a + 1]];
      const area = side(b, 0) * side(c, 1) - side(c, 0) * side(b, 1);
      const u = (px * side(c, 1) - side(c, 0) * py) / area, v = (side(b, 0) * py - px * side(b, 1)) / area;
      if (!(u >= 0 && v >= 0 && u + v <= 1)) continue;
      const near = seen[a + 2] + u * side(b, 2) + v * side(c, 2);
      const point = [0, 1, 2].map((k) => points[a + k] + u * (points[b + k] - points[a + k]) + v * (points[c + k] - points[a + k]));
      if (near > nearest && (look.cut === null || point[1] >= look.cut)) [found, nearest] = [point, near];
    }
    return found;
  }

  // How much of the canvas' height a mm takes that lies across the line of sight.
  const perMm = (solid, look) => near(solid, look) / 2;

  function use(kind, loaded, look, canvas) {
    const { made, at } = programs[kind], { solid } = loaded;
    gl.useProgram(made);
    const wide = canvas.width / canvas.height, by = near(solid, look);
    gl.uniformMatrix3fv(at("turn"), false, turned(look.yaw, look.pitch));
    gl.uniform3fv(at("middle"), middleOf(solid));
    gl.uniform2f(at("scale"), by / wide, by);
    gl.uniform3f(at("level"), ...level(look));
    gl.uniform1f(at("cover"), look.through ? 0.45 : 1);
    gl.uniform1f(at("cut"), look.cut === null ? -1e4 : look.cut);
    gl.uniform3fv(at("ink"), INK);
    const rounds = (look.patches ?? []).map(({ what, centre: [x, y], radius_mm }) => [x, y, radius_mm, what === "take-in" ? 1 : 0]);
    gl.uniform1i(at("count"), rounds.length);
    if (rounds.length) gl.uniform4fv(at("rounds"), rounds.flat());
    if (kind === "surface") return at;
    const t = solid.to_cells;
    gl.uniformMatrix3x2fv(at("toCells"), false, [t[0], t[3], t[1], t[4], t[2], t[5]]);
    gl.bindTexture(gl.TEXTURE_2D, loaded.map);
    gl.uniform3fv(at("boxLow"), solid.low);
    gl.uniform3fv(at("boxSize"), solid.size.map((size, k) => (k === 2 ? size + 12 : size)));
    return at;
  }

  function points(data, place) {
    gl.bindBuffer(gl.ARRAY_BUFFER, data);
    gl.enableVertexAttribArray(place);
    gl.vertexAttribPointer(place, 3, gl.FLOAT, false, 0, 0);
  }

  function draw(loaded, look, canvas) {
    gl.canvas.width = canvas.width;
    gl.canvas.height = canvas.height;
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.clearColor(0.965, 0.953, 0.925, 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.enable(gl.DEPTH_TEST);
    let at = use("surface", loaded, look, canvas);
    for (const surface of loaded.surfaces) {
      gl.uniform3fv(at("colour"), surface.colour);
      gl.uniform1f(at("line"), surface === loaded.surfaces[0] ? 1 : 0);
      points(surface.points, 0);
      points(surface.ways, 1);
      gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, surface.triangles);
      gl.drawElements(gl.TRIANGLES, surface.count, gl.UNSIGNED_INT, 0);
    }
    gl.disableVertexAttribArray(1);
    for (const [kind, shape, colour] of [["top", "level", loaded.stone], ["face", "upright", loaded.stoneCut]]) {
      if (kind === "face" && look.cut === null) continue;
      at = use(kind, loaded, look, canvas);
      gl.uniform3fv(at("colour"), colour);
      if (kind === "top" && look.through) gl.enable(gl.BLEND);
      points(square[shape], 0);
      gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
      gl.disable(gl.BLEND);
    }
    canvas.getContext("2d").drawImage(gl.canvas, 0, 0);
  }

  // One finger turns, two bring it nearer, and the wheel where it may; arrow keys, plus and minus do the same.
  function hands(canvas, look, paint, mayWheel = () => true) {
    const fingers = new Map(), apart = () => { const [a, b] = [...fingers.values()]; return Math.hypot(a[0] - b[0], a[1] - b[1]); };
    const turn = (across, down) => {
      look.yaw += across;
      look.pitch = Math.min(Math.max(look.pitch + down, -1.57), 1.57);
      paint();
    };
    const nearer = (factor) => {
      look.zoom = Math.min(Math.max(look.zoom * factor, 0.5), 8);
      paint();
    };
    const keys = {
      ArrowLeft: () => turn(-0.1, 0), ArrowRight: () => turn(0.1, 0), ArrowUp: () => turn(0, -0.1), ArrowDown: () => turn(0, 0.1),
      "+": () => nearer(1.25), "-": () => nearer(0.8),
    };
    canvas.addEventListener("pointerdown", (event) => {
      fingers.set(event.pointerId, [event.clientX, event.clientY]);
      canvas.setPointerCapture(event.pointerId);
    });
    canvas.addEventListener("pointermove", (event) => {
      const from = fingers.get(event.pointerId);
      if (!from) return;
      const before = fingers.size === 2 ? apart() : 0;
      fingers.set(event.pointerId, [event.clientX, event.clientY]);
      if (fingers.size === 2) nearer(apart() / Math.max(before, 1));
      else turn((event.clientX - from[0]) * 0.008, (event.clientY - from[1]) * 0.008);
    });
    for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, (event) => fingers.delete(event.pointerId));
    canvas.addEventListener("wheel", (event) => {
      if (!mayWheel(event)) return;
      event.preventDefault();
      nearer(Math.exp(-event.deltaY * 0.001));
    }, { passive: false });
    canvas.addEventListener("keydown", (event) => {
      if (!keys[event.key] || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      keys[event.key]();
    });
    return { nearer };
  }

  // Gives back what `load` took.
  function free({ surfaces, map }) {
    for (const { points, ways, triangles } of surfaces) [points, ways, triangles].forEach((one) => gl.deleteBuffer(one));
    gl.deleteTexture(map);
  }

  // Reckons the volume in mL under a base line for as long as it moves: the measured one of its height,
  // (mm, mL), and what its tilt adds by the map of the floor, which knows no roofs and no land.
  function reckoner({ floor, rows, columns, to_cells: t }, measured) {
    const turn = t[0] * t[4] - t[1] * t[3];
    const perU = [t[4] / turn, -t[3] / turn], perV = [-t[1] / turn, t[0] / turn];
    const sum = (look) => {
      const [height, across, ahead] = level(look);
      const stepU = across * perU[0] + ahead * perU[1], stepV = across * perV[0] + ahead * perV[1];
      let total = 0, cell = 0;
      for (let v = 0; v < rows; v++) {
        let line = height + (v - t[5]) * stepV - t[2] * stepU;
        for (let u = 0; u < columns; u++, cell++, line += stepU) {
          const depth = line - floor[cell];
          if (depth > 0) total += depth;
        }
      }
      return total / Math.abs(turn) / 1000;
    };
    return (look) => {
      const [height, volume] = measured.reduce((best, one) => (Math.abs(one[0] - look.height) < Math.abs(best[0] - look.height) ? one : best));
      return Math.max(volume + sum(look) - sum({ height }), 0);
    };
  }

  return { MOST_ROUND, hands, unpack, load, draw, free, place, hit, perMm, level, reckoner };
})();

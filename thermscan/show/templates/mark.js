"use strict";
// Marks a board on its picture. Pixels: x right, y down; board: millimetres, x right, y up, seen from the top side.
const byId = (id) => document.getElementById(id);
const stage = byId("stage");
const drawn = byId("drawn");
const state = { corners: [], closed: false, parts: [], holes: [], chosen: -1, drag: null, saved: true };

// --- geometry -----------------------------------------------------------------------------------------------
// Solves a square linear system by elimination with pivoting.
function solve(matrix, right) {
  const rows = matrix.map((row, i) => [...row, right[i]]);
  const n = rows.length;
  for (let c = 0; c < n; c++) {
    let best = c;
    for (let r = c + 1; r < n; r++) if (Math.abs(rows[r][c]) > Math.abs(rows[best][c])) best = r;
    if (Math.abs(rows[best][c]) < 1e-12) return null;
    [rows[c], rows[best]] = [rows[best], rows[c]];
    for (let r = 0; r < n; r++) {
      if (r === c) continue;
      const factor = rows[r][c] / rows[c][c];
      for (let k = c; k <= n; k++) rows[r][k] -= factor * rows[c][k];
    }
  }
  return rows.map((row, i) => row[n] / row[i]);
}
// Homography from four pairs of points (direct linear transform).
function homography(from, to) {
  const matrix = [], right = [];
  from.forEach(([x, y], i) => {
    const [u, v] = to[i];
    matrix.push([x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]);
    right.push(u, v);
  });
  const h = solve(matrix, right);
  return h === null ? null : [...h, 1];
}
function send(h, [x, y]) {
  const w = h[6] * x + h[7] * y + h[8];
  return [(h[0] * x + h[1] * y + h[2]) / w, (h[3] * x + h[4] * y + h[5]) / w];
}
// Twice the signed area; positive where the corners run clockwise on the screen (y down).
function turning(points) {
  return points.reduce((sum, [x, y], i) => {
    const [u, v] = points[(i + 1) % points.length];
    return sum + x * v - u * y;
  }, 0);
}
// Anticlockwise corners of a board seen from the top run anticlockwise on the screen too.
const isUnderside = () => turning(state.corners) > 0;
const edge = (a, b) => Math.hypot(b[0] - a[0], b[1] - a[1]);
// Pixels to millimetres, or null while corners or length are missing.
function mapping() {
  const length = Number(byId("length").value), second = Number(byId("second").value);
  const c = state.corners;
  if (!state.closed || !(length > 0)) return null;
  if (second > 0 && c.length === 4) return homography(c, [[0, 0], [length, 0], [length, second], [0, second]]);
  const px = edge(c[0], c[1]);
  if (px < 1) return null;
  const k = length / px, ux = (c[1][0] - c[0][0]) / px, uy = (c[1][1] - c[0][1]) / px;
  const side = isUnderside() ? 1 : -1; // y up on the board is anticlockwise from x, on the screen against it
  const vx = -uy * side, vy = ux * side;
  return [k * ux, k * uy, -k * (ux * c[0][0] + uy * c[0][1]), k * vx, k * vy, -k * (vx * c[0][0] + vy * c[0][1]), 0, 0, 1];
}
function inverse(h) {
  const back = [[0, 0], [1, 0], [1, 1], [0, 1]].map(([x, y]) => [x * {{ width }}, y * {{ height }}]);
  return homography(back.map((p) => send(h, p)), back);
}
const round = (v) => Math.round(v * 1000) / 1000;
// A box dragged in pixels becomes an upright box in millimetres through its two corners.
function boxOf(item, h) {
  const [a, b] = [send(h, item.from), send(h, item.to)];
  return { x: round((a[0] + b[0]) / 2), y: round((a[1] + b[1]) / 2), w: round(Math.abs(b[0] - a[0])), h: round(Math.abs(b[1] - a[1])) };
}
function crosses(points) {
  const turn = (a, b, c) => (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
  const n = points.length;
  for (let i = 0; i < n; i++) {
    for (let j = i + 2; j < n; j++) {
      if ((j + 1) % n === i) continue;
      const [a, b, c, d] = [points[i], points[(i + 1) % n], points[j], points[(j + 1) % n]];
      if (turn(a, b, c) * turn(a, b, d) <= 0 && turn(c, d, a) * turn(c, d, b) <= 0) return true;
    }
  }
  return false;
}

// --- the board ----------------------------------------------------------------------------------------------
function rails() {
  return byId("rails").value.split("\n").map((line) => line.trim().split(/[\s,]+/)).filter((w) => w[0] !== "")
    .map(([net, volts, madeBy, from]) => {
      const rail = { net };
      if (volts !== undefined && volts !== "") rail.volts = Number(volts);
      if (madeBy) rail.made_by = madeBy;
      if (from) rail.from = from;
      return rail;
    });
}
function board() {
  const h = mapping();
  if (h === null) return null;
  const side = isUnderside() ? "bottom" : "top";
  const out = { name: byId("name").value || "my board" };
  if (Number(byId("thickness").value) > 0) out.thickness_mm = Number(byId("thickness").value);
  out.outline_mm = state.corners.map((p) => send(h, p).map(round));
  out.holes_mm = state.holes.map((hole) => { const b = boxOf(hole, h); return { x: b.x, y: b.y, d: round((b.w + b.h) / 2) }; });
  out.parts = state.parts.map((part) => {
    const row = { ref: part.ref };
    if (part.kind) row.kind = part.kind;
    Object.assign(row, boxOf(part, h), { rotation: 0 });
    if (part.tall > 0) row.height_mm = part.tall;
    row.side = side;
    row.nets = part.nets.split(/[\s,]+/).filter((net) => net !== "");
    if (part.surface) row.surface = part.surface;
    return row;
  });
  out.rails = rails();
  return out;
}
function problems() {
  const found = [];
  if (!state.closed) found.push("the outline is not complete");
  else if (state.corners.length < 3) found.push("the outline needs three corners or more");
  else if (crosses(state.corners)) found.push("the outline crosses itself");
  if (!(Number(byId("length").value) > 0)) found.push("the length of the first edge is missing");
  const names = state.parts.map((p) => p.ref);
  names.forEach((ref, i) => {
    if (ref === "") found.push("a part has no refdes");
    else if (names.indexOf(ref) !== i) found.push(`${ref} stands twice`);
  });
  rails().forEach((r) => { if (r.volts !== undefined && !Number.isFinite(r.volts)) found.push(`volts of rail ${r.net} are no number`); });
  return [...new Set(found)];
}

// --- drawing ------------------------------------------------------------------------------------------------
function shape(name, attributes, text) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (text !== undefined) node.textContent = text;
  drawn.append(node);
  return node;
}
function boxCorners(item, h, back) {
  if (h === null || back === null) {
    const [[a, b], [c, d]] = [item.from, item.to];
    return [[a, b], [c, b], [c, d], [a, d]];
  }
  const [p, q] = [send(h, item.from), send(h, item.to)];
  return [[p[0], p[1]], [q[0], p[1]], [q[0], q[1]], [p[0], q[1]]].map((m) => send(back, m));
}
function draw() {
  drawn.replaceChildren();
  const size = {{ width }} / 70;
  const h = mapping(), back = h === null ? null : inverse(h);
  const list = (points) => points.map((p) => p.join(",")).join(" ");
  shape(state.closed ? "polygon" : "polyline", { class: "outline", points: list(state.corners) });
  state.corners.forEach(([x, y], i) => {
    shape("circle", { class: "corner", cx: x, cy: y, r: size / 3 });
    if (i < 2) shape("text", { class: "halo", x: x + size / 2, y: y - size / 2, "font-size": size }, i === 0 ? "lower left" : "lower right");
  });
  state.holes.forEach((hole) => shape("polygon", { class: "hole", points: list(boxCorners(hole, h, back)) }));
  state.parts.forEach((part, i) => {
    const corners = boxCorners(part, h, back);
    shape("polygon", { class: i === state.chosen ? "part chosen" : "part", points: list(corners) });
    const x = corners.reduce((s, p) => s + p[0], 0) / 4, y = corners.reduce((s, p) => s + p[1], 0) / 4;
    shape("text", { class: "halo", x, y, "font-size": size, "text-anchor": "middle", "dominant-baseline": "central" }, part.ref || "?");
  });
  if (state.drag) shape("polygon", { class: "part chosen", points: list(boxCorners(state.drag, h, back)) });
  table(h);
  byId("problems").textContent = problems().join("; ");
  byId("save").disabled = problems().length > 0;
  byId("say-outline").textContent = state.closed
    ? `${state.corners.length} corners; the picture shows the ${isUnderside() ? "underside" : "top side"}`
    : `${state.corners.length} corners so far`;
  byId("step-outline").classList.toggle("now", !state.closed);
  byId("step-length").classList.toggle("now", state.closed && h === null);
  byId("step-parts").classList.toggle("now", state.closed && h !== null);
}
function table(h) {
  const body = byId("list");
  body.replaceChildren();
  state.parts.forEach((part, i) => {
    const row = body.insertRow();
    const b = h === null ? null : boxOf(part, h);
    for (const text of [part.ref, part.kind || "from refdes", b ? `${b.x.toFixed(1)}, ${b.y.toFixed(1)}` : "", b ? `${b.w.toFixed(1)} x ${b.h.toFixed(1)}` : ""]) {
      row.insertCell().textContent = text;
    }
    const button = document.createElement("button");
    button.textContent = "edit";
    button.setAttribute("aria-label", `edit ${part.ref || "part without name"}`);
    button.addEventListener("click", () => choose(i));
    row.insertCell().append(button);
  });
}

// --- what the user does -------------------------------------------------------------------------------------
function choose(i) {
  state.chosen = i;
  byId("form").hidden = i < 0;
  if (i >= 0) {
    const part = state.parts[i];
    byId("ref").value = part.ref;
    byId("kind").value = part.kind;
    byId("nets").value = part.nets;
    byId("tall").value = part.tall || "";
    byId("surface").value = part.surface;
    byId("ref").focus();
  }
  draw();
}
function changed() {
  state.saved = false;
  draw();
}
function at(event) {
  const box = stage.getScreenCTM().inverse();
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(box);
  return [point.x, point.y];
}
stage.addEventListener("pointerdown", (event) => {
  if (event.button !== 0) return;
  if (!state.closed) {
    state.corners.push(at(event));
    changed();
    return;
  }
  state.drag = { from: at(event), to: at(event) };
  stage.setPointerCapture(event.pointerId);
});
stage.addEventListener("pointermove", (event) => {
  if (!state.drag) return;
  state.drag.to = at(event);
  draw();
});
stage.addEventListener("pointerup", (event) => {
  if (!state.drag) return;
  const { from } = state.drag, to = at(event);
  state.drag = null;
  if (Math.abs(to[0] - from[0]) < 2 || Math.abs(to[1] - from[1]) < 2) { draw(); return; }
  if (document.querySelector("input[name=tool]:checked").value === "hole") {
    state.holes.push({ from, to });
    changed();
    return;
  }
  state.parts.push({ from, to, ref: "", kind: "", nets: "", tall: 0, surface: "" });
  state.saved = false;
  choose(state.parts.length - 1);
});
byId("undo").addEventListener("click", () => {
  if (state.closed) state.closed = false; else state.corners.pop();
  changed();
});
byId("close").addEventListener("click", () => { if (state.corners.length > 2) { state.closed = true; changed(); } });
byId("drop").addEventListener("click", () => { state.parts.splice(state.chosen, 1); state.saved = false; choose(-1); });
for (const [id, key] of [["ref", "ref"], ["kind", "kind"], ["nets", "nets"], ["surface", "surface"]]) {
  byId(id).addEventListener("input", () => { state.parts[state.chosen][key] = byId(id).value.trim(); changed(); });
}
byId("tall").addEventListener("input", () => { state.parts[state.chosen].tall = Number(byId("tall").value); changed(); });
for (const id of ["length", "second", "name", "thickness", "rails"]) byId(id).addEventListener("input", changed);
byId("save").addEventListener("click", () => {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([JSON.stringify(board(), null, 1) + "\n"], { type: "application/json" }));
  link.download = JSON.parse(byId("file-name").textContent);
  link.click();
  state.saved = true;
});
window.addEventListener("beforeunload", (event) => { if (!state.saved) event.preventDefault(); });
draw();

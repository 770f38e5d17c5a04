"use strict";
(function () {
  const data = JSON.parse(document.getElementById("live-data").textContent);
  const bytes = function (text) { return Uint8Array.from(atob(text), function (c) { return c.charCodeAt(0); }); };
  const size = data.rows * data.columns;
  const view = new DataView(bytes(data.values).buffer);
  const halves = bytes(data.halves);
  const value = function (i) { const v = view.getInt16(2 * i, true); return v <= data.blind ? null : v * data.step; };
  const half = function (i) { return data.halfLow * Math.exp(data.halfRate * halves[i]); };
  const find = function (id) { return document.getElementById(id); };
  const stage = find("stage"), canvas = find("heat"), slider = find("second"), reading = find("reading"), cross = find("cross");
  const pen = canvas.getContext("2d");
  let frame = data.start, point = null, timer = null;

  function paint() {
    const image = pen.createImageData(data.columns, data.rows);
    const last = data.colours.length - 1, reach = Math.asinh(data.limit / data.bend);
    for (let i = 0; i < size; i++) {
      const v = value(frame * size + i);
      if (v === null) {
        const x = i % data.columns, y = Math.floor(i / data.columns);
        if (view.getInt16(2 * (frame * size + i), true) === data.blind && (x + y) % 3 === 0) { image.data.set([110, 110, 110, 130], 4 * i); }
        continue;
      }
      const place = Math.round((Math.asinh(v / data.bend) / reach + 1) / 2 * last);
      const colour = data.colours[Math.min(last, Math.max(0, place))];
      image.data.set(colour, 4 * i);
    }
    pen.putImageData(image, 0, 0);
    const second = data.seconds[frame];
    let words = second.toFixed(2) + " s " + data.clock;
    if (data.powerOff !== null && second > data.powerOff) { words += " (switched off)"; }
    find("second-out").textContent = words;
    slider.value = String(frame);
    slider.setAttribute("aria-valuetext", words);
    read();
  }

  function where(column, row) {
    const fx = (column + 0.5) / data.columns, fy = (row + 0.5) / data.rows;
    if (data.places !== "mm") { return fx.toFixed(3) + " across, " + fy.toFixed(3) + " down"; }
    const x = data.box[0] + fx * (data.box[2] - data.box[0]), y = data.box[1] + fy * (data.box[3] - data.box[1]);
    return "x " + x.toFixed(1) + " mm, y " + y.toFixed(1) + " mm";
  }

  function partAt(column, row) {
    const box = canvas.getBoundingClientRect();
    const x = box.left + (column + 0.5) / data.columns * box.width, y = box.top + (row + 0.5) / data.rows * box.height;
    const hit = document.elementsFromPoint(x, y).find(function (e) { return e.classList.contains("part"); });
    return hit ? hit.querySelector("title").textContent + ", " : "";
  }

  function read() {
    if (point === null) { return; }
    const [column, row] = point, i = frame * size + row * data.columns + column, v = value(i);
    const there = partAt(column, row) + where(column, row) + ": ";
    if (v === null) { reading.textContent = there + "cannot be read here"; return; }
    const h = half(i), digits = Math.max(data.decimals, h < 0.1 ? 3 : 2) - (data.decimals === 0 ? 2 : 0);
    const say = function (n) { return n.toFixed(digits); };
    reading.textContent = there + say(v) + " " + data.unit + " (" + say(v - h) + " to " + say(v + h) + ") at " + data.seconds[frame].toFixed(2) + " s";
  }

  function aim(column, row) {
    point = [Math.min(data.columns - 1, Math.max(0, column)), Math.min(data.rows - 1, Math.max(0, row))];
    const box = canvas.getBoundingClientRect(), outer = stage.getBoundingClientRect(), svg = cross.ownerSVGElement;
    const scale = svg.viewBox.baseVal.width / svg.getBoundingClientRect().width;
    const x = (box.left - outer.left + (point[0] + 0.5) / data.columns * box.width) * scale;
    const y = (box.top - outer.top + (point[1] + 0.5) / data.rows * box.height) * scale;
    cross.setAttribute("transform", "translate(" + x + " " + y + ")");
    cross.setAttribute("visibility", "visible");
    read();
  }

  function show(next) { frame = Math.min(data.seconds.length - 1, Math.max(0, next)); paint(); }

  function stop() { clearInterval(timer); timer = null; find("play").textContent = "Play"; find("play").setAttribute("aria-pressed", "false"); }

  stage.addEventListener("pointermove", function (event) {
    const box = canvas.getBoundingClientRect();
    aim(Math.floor((event.clientX - box.left) / box.width * data.columns), Math.floor((event.clientY - box.top) / box.height * data.rows));
  });
  stage.addEventListener("keydown", function (event) {
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!step) { return; }
    event.preventDefault();
    const from = point || [Math.floor(data.columns / 2), Math.floor(data.rows / 2)];
    aim(from[0] + step[0], from[1] + step[1]);
  });
  slider.addEventListener("input", function () { stop(); show(Number(slider.value)); });
  find("play").addEventListener("click", function () {
    if (timer !== null) { stop(); return; }
    find("play").textContent = "Stop";
    find("play").setAttribute("aria-pressed", "true");
    if (frame === data.seconds.length - 1) { show(0); }
    timer = setInterval(function () { if (frame === data.seconds.length - 1) { stop(); } else { show(frame + 1); } }, 200);
  });

  document.querySelectorAll("[data-lights]").forEach(function (item) {
    const light = function (on) {
      document.querySelectorAll('[data-lit="' + item.dataset.lights + '"]').forEach(function (e) { e.classList.toggle("lit", on); });
    };
    item.addEventListener("mouseenter", function () { light(true); });
    item.addEventListener("mouseleave", function () { light(false); });
    item.addEventListener("focusin", function () { light(true); });
    item.addEventListener("focusout", function () { light(false); });
  });

  paint();
}());

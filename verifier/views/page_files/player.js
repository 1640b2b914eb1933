"use strict";
(function () {
  const NS = "http://www.w3.org/2000/svg";
  function el(parent, name, attributes, text) {
    const made = document.createElementNS(NS, name);
    for (const key in attributes) made.setAttribute(key, attributes[key]);
    if (text !== undefined) made.textContent = text;
    parent.appendChild(made);
    return made;
  }
  function words(parent, x, y, lines, attributes) {
    const at = Object.assign({ x: x, y: y, "font-size": 13, fill: "#1d2733", "text-anchor": "middle", stroke: "#fbfcfd", "stroke-width": 4, "paint-order": "stroke" }, attributes);
    const made = el(parent, "text", at);
    lines.forEach(function (line, i) {
      const span = document.createElementNS(NS, "tspan");
      span.setAttribute("x", x);
      span.setAttribute("dy", i ? "1.15em" : "0");
      span.textContent = line;
      made.appendChild(span);
    });
    return made;
  }
  function readable(name) { return name.replace(/[_.]/g, " "); }

  const INK = "#1d2733", QUIET = "#566270", ALARM = "#b3131b", MIDDLE = 470, EDGE = 50, FONT = "DejaVu Sans, Verdana, sans-serif";
  const AMBER = "#f2b134", RED = "#e0353d", GREEN = "#5fbf8b", WHITE = "#fff";

  function draw(box, data, at) {
    const here = data.states[at], before = data.states[Math.max(0, at - 1)];
    const of = function (sort) { return data.plan.filter(function (m) { return m.sort === sort; }); };
    const said = function (m) { return readable(m.name) + ": " + readable(here[m.name]); };
    const twoLines = function (m) { return [readable(m.name) + ":", readable(here[m.name])]; };
    const weight = function (m) { return at && here[m.name] !== before[m.name] ? 5 : 2; };
    const trains = of("train"), users = of("road user"), lights = of("lights"), lamps = of("lamp");
    const closers = of("barrier").concat(of("gates")), detectors = of("detector");
    const rails = Math.max(1, trains.length), top = 150, gap = 74, bottom = top + gap * (rails - 1);
    const height = bottom + 130 + 46 * Math.max(1, lights.length, lamps.length, detectors.length, users.length * 0.6);
    box.textContent = "";
    const svg = el(box, "svg", { viewBox: "0 0 940 " + height, role: "img", "aria-label": data.sentences[at], "font-family": FONT });

    el(svg, "rect", { x: MIDDLE - 45, y: 20, width: 90, height: height - 40, fill: "#e4e6e8" });
    el(svg, "line", { x1: MIDDLE, y1: 20, x2: MIDDLE, y2: height - 20, stroke: WHITE, "stroke-width": 3, "stroke-dasharray": "14 10" });
    words(svg, MIDDLE + 62, 34, [data.way], { "text-anchor": "start", fill: QUIET, "font-size": 11 });
    detectors.forEach(function (m, i) {
      el(svg, "rect", { x: MIDDLE - 45, y: top - 30, width: 90, height: bottom - top + 60, fill: "none", stroke: "#7a5c12", "stroke-width": weight(m), "stroke-dasharray": "3 4" });
      words(svg, MIDDLE + 64, bottom + 62 + i * 34, twoLines(m), { "text-anchor": "start" });
    });
    for (let i = 0; i < rails; i += 1) rail(svg, top + i * gap);
    trains.forEach(function (m, i) { train(svg, m, top + i * gap, i % 2 === 0, m.way[here[m.name]], weight(m)); });
    of("signal").forEach(function (m, i) {
      signal(svg, i % 2 === 0 ? 250 : 690, top + Math.min(i, rails - 1) * gap, here[m.name] === "danger", said(m));
    });
    closers.forEach(function (m, i) {
      if (m.sort === "gates") gates(svg, here[m.name], top, bottom);
      else booms(svg, m.poses[here[m.name]], data.keeps_left ? 1 : -1, top, bottom);
      const isExit = m.poses && m.poses[here[m.name]][0] === null;
      words(svg, MIDDLE - 64, isExit ? top - 56 : bottom + 50 + 32 * i, twoLines(m), { "text-anchor": "end", "font-size": 12 });
    });
    lights.forEach(function (m, i) { twin(svg, MIDDLE - 190, bottom + 100 + i * 46, here[m.name], twoLines(m)); });
    lamps.forEach(function (m, i) { lamp(svg, 730, bottom + 100 + i * 46, m.name, here[m.name], twoLines(m)); });
    users.forEach(function (m, i) {
      const share = m.way[here[m.name]], lane = data.keeps_left ? -22 : 22, end = height - 34;
      const y = end - share * 2 * (end - (top + bottom) / 2);
      const x = MIDDLE + (users.length > 1 ? (i - (users.length - 1) / 2) * 30 : lane);
      el(svg, "rect", { x: x - 11, y: y - 18, width: 22, height: 36, rx: 5, fill: share ? "#6a3c7c" : WHITE, stroke: "#6a3c7c", "stroke-width": weight(m), "stroke-dasharray": share ? "none" : "4 3" });
      words(svg, MIDDLE + 64, y + 10 - i * 18, [said(m)], { "text-anchor": "start", "font-weight": "bold" });
    });

    trains.forEach(function (m, i) {
      const x = place(i % 2 === 0, m.way[here[m.name]]);
      words(svg, Math.min(Math.max(x, 110), 830), top + i * gap - 20, [said(m)], { "font-weight": "bold" });
    });
    words(svg, 30, 40, ["step " + at + " of " + (data.states.length - 1), "at " + data.times[at]], { "text-anchor": "start", "font-weight": "bold" });
    if (at === data.violating) {
      el(svg, "rect", { x: 3, y: 3, width: 934, height: height - 6, fill: "none", stroke: ALARM, "stroke-width": 6 });
      words(svg, 920, 40, [data.mark], { "text-anchor": "end", "font-weight": "bold", fill: ALARM });
    }
  }

  function rail(svg, y) {
    [-5, 5].forEach(function (d) { el(svg, "line", { x1: 20, y1: y + d, x2: 920, y2: y + d, stroke: "#39434d", "stroke-width": 2 }); });
  }

  function place(forward, share) { return forward ? 60 + share * 820 : 880 - share * 820; }

  function train(svg, m, y, forward, share, weight) {
    const x = place(forward, share);
    const shape = forward ? "-52,-13 40,-13 52,0 40,13 -52,13" : "52,-13 -40,-13 -52,0 -40,13 52,13";
    el(svg, "polygon", { points: shape, transform: "translate(" + x + " " + y + ")", fill: share ? "#2d6a4b" : WHITE, stroke: "#2d6a4b", "stroke-width": weight, "stroke-dasharray": share ? "none" : "4 3" });
  }

  function signal(svg, x, y, isDanger, label) {
    el(svg, "line", { x1: x, y1: y + 12, x2: x, y2: y + 46, stroke: INK, "stroke-width": 3 });
    el(svg, "line", isDanger ? { x1: x - 16, y1: y + 14, x2: x + 16, y2: y + 14, stroke: ALARM, "stroke-width": 6 } : { x1: x - 12, y1: y + 22, x2: x + 12, y2: y + 6, stroke: "#1f5c3d", "stroke-width": 6 });
    words(svg, x + 22, y + 36, [label], { "text-anchor": "start", "font-size": 12 });
  }

  // side 1: traffic keeps to the left, so the boom before the crossing stands on the left of who comes.
  function booms(svg, poses, side, top, bottom) {
    const near = bottom + 44, far = top - 48;
    [[poses[0], -side, near], [poses[0], side, far], [poses[1], side, near], [poses[1], -side, far]].forEach(function (one) {
      if (one[0] === null) return;
      const x = MIDDLE + one[1] * EDGE, y = one[2];
      const tip = one[0] === "down" ? [-48 * one[1], 0] : one[0] === "up" ? [0, -40] : [-36 * one[1], -28];
      el(svg, "circle", { cx: x, cy: y, r: 6, fill: INK });
      el(svg, "line", { x1: x, y1: y, x2: x + tip[0], y2: y + tip[1], stroke: ALARM, "stroke-width": 6 });
      el(svg, "line", { x1: x, y1: y, x2: x + tip[0], y2: y + tip[1], stroke: WHITE, "stroke-width": 6, "stroke-dasharray": "8 8" });
    });
  }

  function gates(svg, state, top, bottom) {
    const near = bottom + 40, far = top - 40;
    [[-1, near, -1], [1, far, 1]].forEach(function (one) {
      const x = MIDDLE + one[0] * EDGE, y = one[1], length = near - far;
      const tip = state === "across_road" ? [-one[0] * 2 * EDGE, 0] : state === "across_railway" ? [0, one[2] * length] : [-one[0] * 70, one[2] * 60];
      el(svg, "circle", { cx: x, cy: y, r: 6, fill: INK });
      el(svg, "line", { x1: x, y1: y, x2: x + tip[0], y2: y + tip[1], stroke: INK, "stroke-width": 5 });
      el(svg, "circle", { cx: x + tip[0] / 2, cy: y + tip[1] / 2, r: 9, fill: ALARM, stroke: WHITE, "stroke-width": 2 });
    });
  }

  function twin(svg, x, y, state, label) {
    const colour = { amber: AMBER, red: RED, green: GREEN, flashing: RED, lit: WHITE }[state];
    el(svg, "rect", { x: x - 26, y: y - 15, width: 52, height: 30, rx: 6, fill: INK });
    [-12, 12].forEach(function (d) {
      el(svg, "circle", { cx: x + d, cy: y, r: 9, fill: colour || INK, stroke: WHITE, "stroke-width": 1.5 });
      if (colour) words(svg, x + d, y + 4, [state[0].toUpperCase()], { "font-size": 11, "font-weight": "bold", stroke: "none" });
    });
    words(svg, x - 34, y - 2, label, { "text-anchor": "end", "font-size": 12 });
  }

  function lamp(svg, x, y, name, state, label) {
    const isLit = state === "lit", colour = /red/.test(name) ? RED : /green/.test(name) ? GREEN : /amber|yellow/.test(name) ? AMBER : WHITE;
    el(svg, "rect", { x: x - 15, y: y - 15, width: 30, height: 30, rx: 6, fill: INK });
    el(svg, "circle", { cx: x, cy: y, r: 10, fill: isLit ? colour : INK, stroke: WHITE, "stroke-width": 1.5 });
    words(svg, x + 22, y - 2, label, { "text-anchor": "start", "font-size": 12 });
  }

  function tiles(box, data, at) {
    box.textContent = "";
    data.plan.forEach(function (m) {
      if (m.sort !== "tile" && m.sort !== "operator") return;
      const tile = document.createElement("div"), name = document.createElement("b");
      tile.className = "tile" + (at && data.states[at][m.name] !== data.states[at - 1][m.name] ? " changed" : "");
      name.textContent = readable(m.name) + " (" + m.role + ")";
      tile.appendChild(name);
      tile.appendChild(document.createTextNode(readable(data.states[at][m.name])));
      box.appendChild(tile);
    });
  }

  document.querySelectorAll(".player").forEach(function (player) {
    const id = player.dataset.trace, data = JSON.parse(document.getElementById(id).textContent);
    const last = data.states.length - 1, now = player.querySelector(".now");
    const get = function (what) { return player.querySelector("[data-do=" + what + "]"); };
    const rows = document.querySelectorAll("[data-chart='" + id + "'] tr[data-step]");
    let at = 0, timer = 0;
    function show(step) {
      at = Math.max(0, Math.min(last, step));
      get("scrub").value = at;
      get("scrub").setAttribute("aria-valuetext", "step " + at + " of " + last + ", at " + data.times[at]);
      now.textContent = data.sentences[at];
      now.className = "now" + (at === data.violating ? " mark" : "");
      const plan = player.querySelector(".plan"), shifted = plan.scrollLeft;
      draw(plan, data, at);
      plan.scrollLeft = shifted;
      tiles(player.querySelector(".tiles"), data, at);
      rows.forEach(function (row) { row.classList.toggle("here", Number(row.dataset.step) === at); });
    }
    function stop() {
      clearInterval(timer); timer = 0;
      get("play").textContent = "Play"; get("play").setAttribute("aria-pressed", "false");
    }
    function play() {
      if (timer) { stop(); return; }
      if (at === last) show(0);
      get("play").textContent = "Pause"; get("play").setAttribute("aria-pressed", "true");
      timer = setInterval(function () { show(at + 1); if (at === last) stop(); }, 2400 / Number(get("pace").value));
    }
    player.addEventListener("click", function (event) {
      const what = event.target.dataset ? event.target.dataset.do : "";
      if (what === "play") play();
      else if (what === "first") { stop(); show(0); }
      else if (what === "back") { stop(); show(at - 1); }
      else if (what === "next") { stop(); show(at + 1); }
      else if (what === "last") { stop(); show(data.violating); }
    });
    get("scrub").addEventListener("input", function () { stop(); show(Number(get("scrub").value)); });
    get("pace").addEventListener("change", function () { if (timer) { stop(); play(); } });
    player.querySelector(".plan").addEventListener("keydown", function (event) {
      if (event.key === "ArrowRight") { stop(); show(at + 1); event.preventDefault(); }
      else if (event.key === "ArrowLeft") { stop(); show(at - 1); event.preventDefault(); }
      else if (event.key === " ") { play(); event.preventDefault(); }
    });
    show(0);
    // On a narrow screen the crossing itself is what is seen first.
    const plan = player.querySelector(".plan");
    plan.scrollLeft = (plan.scrollWidth - plan.clientWidth) / 2;
  });

  // Paper can't be unfolded: what is folded is opened to print, and folded again.
  const folded = [];
  window.matchMedia("print").addEventListener("change", function (event) {
    if (event.matches) {
      document.querySelectorAll("details:not([open])").forEach(function (one) { one.open = true; folded.push(one); });
    } else {
      folded.splice(0).forEach(function (one) { one.open = false; });
    }
  });
})();

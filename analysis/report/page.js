"use strict";
// Reads values off the plots by pointer, touch and arrow keys, and switches lines on and off. The page is complete
// without it.
(() => {
  const GRID = 10000;
  const NS = "http://www.w3.org/2000/svg";

  // A path of M and relative l commands, as [x, y] points on the grid; a break is a null.
  function points(path) {
    const out = [];
    for (const part of path.getAttribute("d").split("M").slice(1)) {
      const [start, rest] = part.split("l");
      let [x, y] = start.trim().split(" ").map(Number);
      if (out.length) out.push(null);
      out.push([x, y]);
      const moves = rest ? rest.trim().split(" ").map(Number) : [];
      for (let i = 0; i + 1 < moves.length; i += 2) out.push([x += moves[i], y += moves[i + 1]]);
    }
    return out;
  }

  function at(line, x) {
    for (let i = 0; i + 1 < line.length; i++) {
      const a = line[i], b = line[i + 1];
      if (a && b && a[0] <= x && x <= b[0]) return b[0] === a[0] ? a[1] : a[1] + ((b[1] - a[1]) * (x - a[0])) / (b[0] - a[0]);
    }
    return null;
  }

  for (const plot of document.querySelectorAll(".plot")) {
    const area = plot.querySelector("svg.area");
    const output = plot.querySelector("output");
    const d = plot.dataset;
    const lines = [];
    let read = false, cursor = null, spot = null, kept = -1, atX = GRID / 2;

    function prepare() {
      if (read) return;
      read = true;
      for (const path of plot.querySelectorAll("path[data-label]")) {
        lines.push({ path, label: path.dataset.label, dots: path.classList.contains("read"), points: points(path),
          colour: [...path.classList].find((name) => /^(c\d|back)$/.test(name)) });
      }
      cursor = area.appendChild(document.createElementNS(NS, "line"));
      cursor.setAttribute("class", "cursor");
      spot = area.appendChild(document.createElementNS(NS, "circle"));
      spot.setAttribute("r", "4.5");
    }

    const number = (share, low, high, decimals) => (Number(low) + share * (high - low)).toFixed(decimals).replace("-", "\u2212");

    function show(line, x, y) {
      const px = `${x / GRID * 100}%`, py = `${y / GRID * 100}%`;
      cursor.setAttribute("x1", px); cursor.setAttribute("x2", px);
      cursor.setAttribute("y1", "0"); cursor.setAttribute("y2", "100%");
      spot.setAttribute("class", `spot ${line.colour}`);
      spot.setAttribute("cx", px); spot.setAttribute("cy", py);
      cursor.style.display = spot.style.display = "";
      let text = `${line.label}: ${number(x / GRID, d.x0, d.x1, d.xDecimals)} ${d.xUnit}`;
      if (d.yWords === undefined) text += `, ${number(1 - y / GRID, d.y0, d.y1, d.yDecimals)} ${d.yUnit}`;
      output.textContent = text;
      kept = lines.indexOf(line);
      atX = x;
    }

    function hide() {
      if (!read) return;
      cursor.style.display = spot.style.display = "none";
      output.textContent = "";
    }

    const seen = () => lines.filter((line) => !line.path.classList.contains("off"));

    // What lies nearest on the screen: a line above or below the pointer, or a point around it.
    function nearest(x, y, width, height) {
      let best = null;
      for (const line of seen()) {
        if (line.dots) {
          for (const p of line.points) {
            if (!p) continue;
            const away = Math.hypot((p[0] - x) / GRID * width, (p[1] - y) / GRID * height);
            if (!best || away < best.away) best = { line, x: p[0], y: p[1], away };
          }
        } else {
          const v = at(line.points, x);
          if (v === null) continue;
          const away = Math.abs(v - y) / GRID * height + (line.colour === "back" ? 6 : 0);
          if (!best || away < best.away) best = { line, x, y: v, away };
        }
      }
      return best;
    }

    function point(event) {
      prepare();
      const box = area.getBoundingClientRect();
      const x = Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1) * GRID;
      const y = (event.clientY - box.top) / box.height * GRID;
      const best = nearest(x, y, box.width, box.height);
      if (best) show(best.line, best.x, best.y); else hide();
    }

    plot.addEventListener("pointermove", point, { passive: true });
    plot.addEventListener("pointerdown", point, { passive: true });
    plot.addEventListener("pointerleave", () => { if (document.activeElement !== plot) hide(); });
    plot.addEventListener("blur", hide);
    plot.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key] || 0;
      const other = { ArrowUp: -1, ArrowDown: 1 }[event.key] || 0;
      if (event.key === "Escape") hide();
      if (!step && !other) return;
      event.preventDefault();
      prepare();
      const live = seen();
      if (!live.length) return;
      let k = live.indexOf(lines[kept]);
      k = k < 0 ? 0 : (k + other + live.length) % live.length;
      const line = live[k];
      if (line.dots) {
        const all = line.points.filter(Boolean).sort((a, b) => a[0] - b[0]);
        let i = all.findIndex((p) => p[0] >= atX);
        i = i < 0 ? all.length - 1 : Math.min(Math.max(i + step, 0), all.length - 1);
        show(line, all[i][0], all[i][1]);
        return;
      }
      const known = line.points.filter(Boolean);
      const first = known[0][0], last = known[known.length - 1][0];
      for (let x = atX + step * GRID / 100; ; x += (step || 1) * GRID / 100) {
        const inside = Math.min(Math.max(x, first), last);
        const v = at(line.points, inside);
        if (v !== null) { show(line, inside, v); return; }
        if (inside !== x) return;
      }
    });
  }

  for (const figure of document.querySelectorAll("figure")) {
    for (const box of figure.querySelectorAll("input[data-switch]")) {
      const turn = () => {
        for (const part of figure.querySelectorAll("[data-group]")) {
          if (part.dataset.group === box.dataset.switch) part.classList.toggle("off", !box.checked);
        }
      };
      box.addEventListener("change", turn);
      turn(); // a browser may remember how it was left
    }
  }
})();

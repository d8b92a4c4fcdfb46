// Reading a live figure: the values under the pointer in words, the same moment in the figures beside it, and a stretch
// that is dragged over to zoom into it.
(() => {
  "use strict";
  const book = window.herdbook, NEAR_PX = 40, BESIDE = 0.02, DRAG_PX = 6, MOST = 14;

  book.reading = (plot, others) => {
    const live = plot.live, board = live.board;
    live.cursor = piece("line", "cursor away");
    live.band = piece("rect", "band away");
    live.box = document.createElement("div");
    live.box.className = "readout";
    live.box.hidden = true;
    plot.append(live.box);
    let from = null;
    const share = event => {
      const box = board.getBoundingClientRect();
      return [(event.clientX - box.left) / box.width, event.clientY - box.top, box];
    };
    const inside = u => Math.min(1, Math.max(0, u));

    plot.addEventListener("pointermove", event => {
      const [u, y, box] = share(event);
      if (from !== null && event.buttons) {
        const [a, b] = [from, inside(u)].sort((p, q) => p - q);
        put(live.band, { x: `${100 * a}%`, width: `${100 * (b - a)}%`, y: 0, height: "100%" }, (b - a) * box.width > DRAG_PX);
      }
      read(plot, inside(u), y, box, others());
    });
    plot.addEventListener("pointerleave", () => { hush(plot); others().forEach(hush); });
    plot.addEventListener("pointerdown", event => {
      if (event.pointerType !== "mouse" || event.button !== 0 || !live.moves) return; // a finger scrolls the page
      const [u] = share(event);
      if (u < 0 || u > 1) return;
      from = u;
      event.preventDefault();
      plot.focus({ preventScroll: true });
      plot.setPointerCapture(event.pointerId);
    });
    plot.addEventListener("pointerup", event => {
      if (from === null) return;
      const [u, , box] = share(event), [a, b] = [from, inside(u)].map(v => book.value(live.x.x, v)).sort((p, q) => p - q);
      const wide = Math.abs(inside(u) - from) * box.width;
      from = null;
      live.band.classList.add("away");
      if (wide > DRAG_PX) book.show(plot, a, b);
    });
    plot.addEventListener("click", event => { const [u, y, box] = share(event); read(plot, inside(u), y, box, others()); }); // a tap

    function piece(name, kind) {
      const made = document.createElementNS("http://www.w3.org/2000/svg", name);
      made.setAttribute("class", kind);
      board.append(made);
      return made;
    }
  };

  function put(piece, attributes, seen) {
    for (const [key, value] of Object.entries(attributes)) piece.setAttribute(key, value);
    piece.classList.toggle("away", !seen);
  }

  function hush(plot) {
    plot.live.box.hidden = true;
    plot.live.cursor.classList.add("away");
  }

  function read(plot, u, y, box, others) {
    const live = plot.live, together = String(live.spec.layout.hovermode || "").startsWith("x");
    const found = together ? atMoment(live, book.value(live.x.x, u)) : nearest(live, u * box.width, y, box.width);
    if (!found) { hush(plot); others.forEach(hush); return; }
    const at = together ? book.place(live.x.x, found.x) : null;
    put(live.cursor, { x1: `${100 * at}%`, x2: `${100 * at}%`, y1: 0, y2: "100%" }, together);
    say(live.box, found, u > 0.55);
    live.box.style.top = `${Math.max(0, Math.min(y, box.height - 30) - 20)}px`;
    if (!together) return;
    for (const other of others) {
      const of = other.live.x.x, there = book.place(of, found.x);
      put(other.live.cursor, { x1: `${100 * there}%`, x2: `${100 * there}%`, y1: 0, y2: "100%" }, there >= of.start && there <= of.end);
    }
  }

  function say(box, found, left) {
    box.replaceChildren(...found.lines.slice(0, MOST).map(([words, color]) => {
      const row = document.createElement("div");
      if (color) { const dot = document.createElement("i"); dot.style.background = color; row.append(dot); }
      row.append(words);
      return row;
    }));
    if (found.lines.length > MOST) box.append(`and ${found.lines.length - MOST} more: zoom or open the numbers`);
    box.classList.toggle("left", left);
    box.hidden = false;
  }

  const shown = t => t.given.hoverinfo !== "skip" || t.given.hovertemplate;
  const colour = t => {
    const named = String(t.given.line?.color && !(t.given.mode || "lines").includes("markers") ? t.given.line.color : t.given.marker?.color || t.given.line?.color || "");
    return named.startsWith("@") ? `var(--${named.slice(1)})` : named;
  };

  // Every trace at the sample that is nearest in x; far ones are left out, so that a gap is never read across.
  function atMoment(live, x) {
    const of = live.x.x, span = of.high - of.low, near = [];
    for (const t of live.traces) {
      if (!shown(t) || !t.y) continue;
      const xs = t.fine ? t.fine.x : t.x, ys = t.fine ? t.fine.y : t.y, k = closest(t, xs, ys, x);
      if (k >= 0 && xs[k] >= of.low && xs[k] <= of.high) near.push({ t, k, x: xs[k], y: ys[k] });
    }
    if (!near.length) return null;
    const best = near.reduce((a, b) => Math.abs(b.x - x) < Math.abs(a.x - x) ? b : a).x;
    const told = near.filter(n => Math.abs(n.x - best) <= BESIDE * span);
    const head = of.kind === "date" ? book.moment(best, span) : `${book.title(of, live.spec.layout.xaxis)}: ${book.short(best)}`;
    return { x: best, lines: [[head, ""], ...told.map(n => [words(n), colour(n.t)])] };
  }

  function closest(t, xs, ys, x) {
    if (t.fine || t.ordered) {
      let b = book.first(xs, x), a = b - 1;
      while (a >= 0 && Number.isNaN(ys[a])) a--;
      while (b < xs.length && Number.isNaN(ys[b])) b++;
      return a < 0 ? (b < xs.length ? b : -1) : b >= xs.length || x - xs[a] <= xs[b] - x ? a : b;
    }
    let best = -1;
    for (let k = 0; k < xs.length; k++)
      if (Number.isFinite(ys[k]) && (best < 0 || Math.abs(xs[k] - x) < Math.abs(xs[best] - x))) best = k;
    return best;
  }

  // The mark, bar or cell under the pointer or close to it.
  function nearest(live, px, py, wide) {
    let best = null, least = NEAR_PX;
    const offer = (away, n) => { if (away < least) { least = away; best = n; } };
    for (const t of live.traces) {
      if (!shown(t)) continue;
      const across = v => book.place(t.ax, v) * wide;
      const down = v => { const s = (v - t.ay.low) / (t.ay.high - t.ay.low); return t.ay.top + t.ay.height * (t.ay.backwards ? s : 1 - s); };
      if (t.given.type === "heatmap") {
        const c = Math.round(book.value(t.ax, px / wide)), r = t.given.z.findIndex((_, k) => Math.abs(down(k) - py) <= t.ay.height / t.given.z.length / 2);
        const z = t.given.z[r]?.[c];
        if (z !== undefined && z !== null) offer(0, { t, k: c, x: t.given.x[c], y: t.given.y[r], z, custom: t.given.customdata?.[r]?.[c] });
        continue;
      }
      t.x.forEach((x, k) => {
        if (t.given.type === "bar" && t.given.orientation === "h") {
          t.base ||= book.numbers(t.given.base);
          const ends = [across(t.base[k]), across(t.base[k] + x)], off = Math.max(Math.min(...ends) - px, px - Math.max(...ends), 0);
          if (Math.abs(down(t.y[k]) - py) < 12) offer(off, { t, k, x, y: t.y[k] });
        } else if (t.given.type === "bar") {
          if (Math.abs(across(x) - px) < Math.abs(across(0.5) - across(0))) offer(Math.abs(across(x) - px) / 100, { t, k, x: t.given.x[k], y: t.y[k] });
        } else if (x >= t.ax.low && x <= t.ax.high) offer(Math.hypot(across(x) - px, down(t.y[k]) - py), { t, k, x, y: t.y[k] });
      });
    }
    return best && { lines: [[words(best), colour(best.t)]] };
  }

  // What a trace says of one of its values, by its own template where it has one.
  function words({ t, k, x, y, z, custom }) {
    const own = t.given.hovertext || t.given.text, text = book.plain(Array.isArray(own) ? own[k] ?? "" : own ?? "");
    const name = t.given.name ? book.plain(t.given.name) : "", form = t.given.hovertemplate;
    if (t.given.hoverinfo === "text") return text;
    if (t.lane.has(y)) return [name, t.lane.get(y)].filter(Boolean).join(": "); // a state by its word
    if (!form) {
      const left = t.ax.kind === "category" || typeof x === "string" ? book.plain(x) : "";
      return [name || left, typeof y === "string" ? book.plain(y) : book.short(y)].filter(Boolean).join(": ");
    }
    const values = { x, y, z, text, customdata: custom };
    const said = book.plain(form.replace(/<extra>.*?<\/extra>/, ""))
      .replace(/%\{(\w+)(?::\.(\d+)([fg]))?\}/g, (_, key, digits, kind) => number(values[key], digits, kind, t, key));
    return form.includes("<extra>") || !name ? said : `${name}: ${said}`;
  }

  function number(value, digits, kind, t, key) {
    if (typeof value === "string") return book.plain(value);
    const axis = key === "x" ? t.ax : key === "y" ? t.ay : null;
    if (axis?.names) return axis.names[value] ?? "";
    if (axis?.kind === "date") return book.moment(value, axis.high - axis.low);
    if (!Number.isFinite(value)) return "no value";
    const size = Math.abs(value), said = kind === "f" ? size.toFixed(digits) : book.shortest(size, Number(digits || 4));
    return value < 0 && Number(said) ? book.minus + said : said;
  }
})();

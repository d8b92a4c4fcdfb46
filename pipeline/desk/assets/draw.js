// Draws signals over time with a pen: on a canvas for the screen, as SVG for a file. Knows nothing of pages.
(() => {
  "use strict";
  const COLOURS = ["line1", "line2", "line3", "line4", "line5", "line6"], DASHES = [[], [7, 3], [2, 3], [9, 3, 2, 3], [12, 4], [5, 2, 2, 2]];
  const PANEL = 132, TITLE = 30, LEFT = 66, RIGHT = 14, FOOT = 74;
  const US = { ms: 1e3, s: 1e6, min: 6e7, h: 3.6e9, d: 8.64e10 };
  const STEPS = [1, 2, 5, 10, 20, 50, 100, 200, 500, ...[1, 2, 5, 10, 20, 50, 100, 200, 500].map(n => n * US.ms), ...[1, 2, 5, 10, 15, 30].map(n => n * US.s),
    ...[1, 2, 5, 10, 15, 30].map(n => n * US.min), ...[1, 2, 3, 6, 12].map(n => n * US.h), ...[1, 2, 7, 14, 28, 56, 112, 364, 1820].map(n => n * US.d)];

  function colours() {
    const css = getComputedStyle(document.documentElement);
    return name => css.getPropertyValue("--" + name).trim() || "#888";
  }

  function canvasPen(canvas, width, height) {
    const ratio = window.devicePixelRatio || 1, c = canvas.getContext("2d");
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
    canvas.style.height = `${height}px`;
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    const css = colours(), font = getComputedStyle(document.body).fontFamily;
    c.fillStyle = css("card");
    c.fillRect(0, 0, width, height);
    return {
      line(points, colour, thick = 1, dash = []) {
        c.beginPath();
        for (const [move, x, y] of points) if (move) c.moveTo(x, y); else c.lineTo(x, y);
        Object.assign(c, { strokeStyle: css(colour), lineWidth: thick, lineJoin: "round", lineCap: "butt" });
        c.setLineDash(dash);
        c.stroke();
        c.setLineDash([]);
      },
      dots(points, colour, r) {
        c.fillStyle = css(colour);
        for (const [x, y] of points) { c.beginPath(); c.arc(x, y, r, 0, 7); c.fill(); }
      },
      rect(x, y, w, h, colour, alpha = 1) { c.globalAlpha = alpha; c.fillStyle = css(colour); c.fillRect(x, y, w, h); c.globalAlpha = 1; },
      text(said, x, y, { align = "left", colour = "ink", size = 12, bold = false } = {}) {
        Object.assign(c, { fillStyle: css(colour), font: `${bold ? "600 " : ""}${size}px ${font}`, textAlign: align, textBaseline: "alphabetic" });
        c.fillText(said, x, y);
      },
      wide(said, size = 12, bold = false) { c.font = `${bold ? "600 " : ""}${size}px ${font}`; return c.measureText(said).width; },
      inside(x, y, w, h, work) { c.save(); c.beginPath(); c.rect(x, y, w, h); c.clip(); work(); c.restore(); },
    };
  }

  const escaped = t => String(t).replace(/[&<>"]/g, k => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" })[k]).replace(/[\x00-\x08\x0b\x0c\x0e-\x1f]/g, "");
  function svgPen(width, height, said) {
    const css = colours(), out = [], n = v => Math.round(v * 100) / 100, measure = document.createElement("canvas").getContext("2d");
    let clips = 0;
    out.push(`<rect width="${width}" height="${height}" fill="${css("card")}"/>`);
    return {
      line(points, colour, thick = 1, dash = []) {
        const d = points.map(([move, x, y]) => `${move ? "M" : "L"}${n(x)} ${n(y)}`).join("");
        if (d) out.push(`<path d="${d}" fill="none" stroke="${css(colour)}" stroke-width="${thick}" stroke-linejoin="round"${dash.length ? ` stroke-dasharray="${dash}"` : ""}/>`);
      },
      dots(points, colour, r) { for (const [x, y] of points) out.push(`<circle cx="${n(x)}" cy="${n(y)}" r="${r}" fill="${css(colour)}"/>`); },
      rect(x, y, w, h, colour, alpha = 1) { out.push(`<rect x="${n(x)}" y="${n(y)}" width="${n(Math.max(0, w))}" height="${n(h)}" fill="${css(colour)}" fill-opacity="${alpha}"/>`); },
      text(words, x, y, { align = "left", colour = "ink", size = 12, bold = false } = {}) {
        const anchor = { left: "start", right: "end", center: "middle" }[align];
        out.push(`<text x="${n(x)}" y="${n(y)}" font-size="${size}"${bold ? ' font-weight="600"' : ""} text-anchor="${anchor}" fill="${css(colour)}">${escaped(words)}</text>`);
      },
      wide(words, size = 12) { measure.font = `${size}px sans-serif`; return measure.measureText(words).width; },
      inside(x, y, w, h, work) { out.push(`<clipPath id="c${++clips}"><rect x="${n(x)}" y="${n(y)}" width="${n(w)}" height="${n(h)}"/></clipPath><g clip-path="url(#c${clips})">`); work(); out.push("</g>"); },
      whole: () => `<svg xmlns="http://www.w3.org/2000/svg" width="${width}" height="${height}" viewBox="0 0 ${width} ${height}" font-family="sans-serif" role="img"><title>${escaped(said)}</title>${out.join("")}</svg>\n`,
    };
  }

  // Wall-clock time in a zone. t: microseconds UTC.
  const makers = new Map();
  function parts(t, zone) {
    if (!makers.has(zone)) makers.set(zone, new Intl.DateTimeFormat("en-GB", { timeZone: zone, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", second: "2-digit" }));
    const found = Object.fromEntries(makers.get(zone).formatToParts(Math.floor(t / 1000)).map(p => [p.type, p.value]));
    return { ...found, us: String(((t % 1e6) + 1e6) % 1e6).padStart(6, "0") };
  }
  function clock(t, zone, fine) {
    const p = parts(t, zone);
    return `${p.hour}:${p.minute}${fine < US.min ? ":" + p.second : ""}${fine < US.ms ? "." + p.us : fine < US.s ? "." + p.us.slice(0, 3) : ""}`;
  }
  const day = (t, zone) => { const p = parts(t, zone); return `${p.year}-${p.month}-${p.day}`; };
  function shift(t, zone) { // of the zone against UTC, microseconds
    const p = parts(t, zone);
    return Date.UTC(p.year, p.month - 1, p.day, p.hour, p.minute, p.second) * 1000 - Math.floor(t / 1e6) * 1e6;
  }
  const step = (span, most) => STEPS.find(s => span / s <= most) || STEPS.at(-1);

  function number(v) {
    if (v === 0) return "0";
    const a = Math.abs(v);
    if (a >= 1e7 || a < 1e-4) return v.toExponential(2);
    return String(Number(v.toPrecision(4))).replace(/\B(?=(\d{3})+(?!\d)(?<!\.\d*))/g, "\u202f");
  }
  const grouped = n => n.toLocaleString("en").replaceAll(",", "\u202f");
  function nice(low, high, most) {
    const raw = (high - low) / most, power = 10 ** Math.floor(Math.log10(raw)), unit = [1, 2, 2.5, 5, 10].find(m => m * power >= raw) * power, out = [];
    for (let k = Math.ceil(low / unit); k * unit <= high + unit * 1e-9; k++) out.push(Number((k * unit).toPrecision(12)));
    return out;
  }

  // One panel a role: its lines of the first vehicle, then of the second.
  function panels(data) {
    const found = new Map();
    for (const of of [data, data.beside]) for (const line of of ? of.lines : []) {
      if (!found.has(line.role)) found.set(line.role, []);
      found.get(line.role).push({ ...line, second: of !== data, vehicle: data.beside && data.beside.vehicle === data.vehicle ? `${of === data ? "this" : "beside"}` : of.vehicle });
    }
    return [...found.values()];
  }
  function range(lines, a, b) {
    let low = Infinity, high = -Infinity;
    for (const line of lines) {
      const hi = line.high || line.low, last = line.last || line.t;
      for (let i = 0; i < line.t.length; i++) if (last[i] >= a && line.t[i] <= b) { if (line.low[i] < low) low = line.low[i]; if (hi[i] > high) high = hi[i]; }
    }
    if (low > high) return null;
    const states = lines[0].states.length;
    if (states) return [-0.3, states - 0.7];
    const room = (high - low) * 0.07 || Math.abs(high) * 0.05 || 0.5;
    return [low - room, high + room];
  }
  const height = (data, width = 1000) => Math.max(1, panels(data).length) * (PANEL + TITLE) + FOOT + (width < 700 ? 28 : 0);

  // view: a, b: offsets from data.start that the frame spans, microseconds. extra: zone, marks, reading, caption.
  function figure(pen, data, view, width, extra) {
    const x = t => LEFT + (t - view.a) / (view.b - view.a) * (width - LEFT - RIGHT), right = width - RIGHT, all = panels(data);
    const span = view.b - view.a, tick = step(span, Math.max(2, (width - LEFT) / 105)), start = data.start;
    const off = shift(start + view.a, extra.zone), from = Math.ceil((start + view.a + off) / tick) * tick - off, ticks = [];
    for (let t = from; t <= start + view.b && ticks.length < 60; t += tick) ticks.push(t - start);
    let top = TITLE;
    if (!all.length) pen.text(extra.empty || "Nothing to draw.", LEFT, top + 40, { colour: "muted", size: 14 });
    for (const lines of all) {
      const found = range(lines, view.a, view.b), bottom = top + PANEL;
      const first = lines[0], title = first.role.includes(".") ? first.role : first.words.replace(/ no\. \d+$| (left|right|front|rear|only|first|second|third|fourth|fifth|sixth|seventh|eighth)$/, "");
      const named = `${title}${first.unit ? ` [${first.unit}]` : ""}`;
      pen.text(named, LEFT, top - 9, { bold: true, size: 13 });
      let at = LEFT + pen.wide(named, 13, true) + 18;
      const many = lines.length > 8;
      lines.forEach((line, i) => {
        line.colour = many && !extra.strong?.includes(line.name) ? "faint" : COLOURS[i % 6];
        line.dash = line.second ? [6, 3] : many ? [] : DASHES[i % 6];
        const item = (line.name.match(/\[(.+)\]$/) || ["", ""])[1], said = `${data.beside ? line.vehicle + " " : ""}${item ? (/^\d+$/.test(item) ? "no. " + item : item) : ""}`.trim();
        if (!said || many || at > right - 60) return;
        pen.line([[true, at, top - 13], [false, at + 20, top - 13]], line.colour, 2, line.dash);
        pen.text(said, at + 24, top - 9, { size: 11.5 });
        at += 40 + pen.wide(said, 11.5);
      });
      if (many) pen.text(`${lines.length} lines${extra.strong?.some(s => lines.some(l => l.name === s)) ? ", the one in question in colour" : ""}`, at, top - 9, { size: 11.5, colour: "muted" });
      for (const t of ticks) pen.line([[true, x(t), top], [false, x(t), bottom]], "rule");
      for (const m of extra.marks || []) pen.inside(LEFT, top, right - LEFT, PANEL, () => pen.rect(x(m.a), top, Math.max(1, x(m.b) - x(m.a)), PANEL, m.colour || "accent", 0.16));
      if (found) {
        const [low, high] = found, y = v => bottom - (v - low) / (high - low) * PANEL;
        const states = first.states, rungs = states.length ? states.map((_, k) => k) : nice(low, high, 4);
        for (const v of rungs) {
          pen.line([[true, LEFT, y(v)], [false, right, y(v)]], "rule");
          pen.text(states.length ? states[v].replaceAll("_", " ").slice(0, 10) : number(v), LEFT - 7, y(v) + 4, { align: "right", size: 11, colour: "muted" });
        }
        pen.inside(LEFT, top, right - LEFT, PANEL, () => {
          const ordered = [...lines].sort((p, q) => (q.colour === "faint") - (p.colour === "faint"));
          for (const line of ordered) trace(pen, line, x, y, view);
        });
      } else pen.text("Nothing recorded in this stretch.", LEFT + 10, top + PANEL / 2, { colour: "muted" });
      pen.line([[true, LEFT, top], [false, LEFT, bottom], [false, right, bottom]], "muted");
      if (extra.reading != null && extra.reading >= view.a && extra.reading <= view.b) pen.line([[true, x(extra.reading), top], [false, x(extra.reading), bottom]], "ink", 1, [3, 3]);
      top += PANEL + TITLE;
    }
    foot(pen, data, view, width, extra, { x, ticks, tick, top: top - TITLE });
  }

  function foot(pen, data, view, width, extra, { x, ticks, tick, top }) {
    const zone = extra.zone, right = width - RIGHT;
    pen.inside(LEFT, top + 2, right - LEFT, 5, () => {
      for (const [a, b] of data.recorded) pen.rect(x(a), top + 2, Math.max(1.5, x(b) - x(a)), 4, "accent");
    });
    let before = day(data.start + view.a, zone);
    let last = -Infinity;
    for (const t of ticks) {
      const today = day(data.start + t, zone), said = tick >= US.d ? today : clock(data.start + t, zone, tick), half = pen.wide(said, 11) / 2;
      if (x(t) - half < last + 8 || x(t) + half > right + 10) continue;
      pen.text(said, x(t), top + 21, { align: "center", size: 11, colour: "muted" });
      if (tick < US.d && today !== before) pen.text(today, x(t), top + 35, { align: "center", size: 11, colour: "muted" });
      before = today;
      last = x(t) + half;
    }
    pen.text(`${day(data.start + view.a, zone)} (${zone})`, LEFT, top + 49, { size: 11.5 });
    pen.text("bar: recorded", right, top + 49, { align: "right", size: 11, colour: "muted" });
    const lines = [""]; // the caption, broken where it does not fit
    for (const word of (extra.caption || "").split(" ")) {
      if (pen.wide(`${lines.at(-1)} ${word}`, 11) > right - LEFT) lines.push(word); else lines[lines.length - 1] += (lines.at(-1) ? " " : "") + word;
    }
    lines.slice(0, 3).forEach((text, i) => pen.text(text, LEFT, top + 65 + 14 * i, { size: 11, colour: "muted" }));
  }

  function trace(pen, line, x, y, view) {
    const points = [], dots = [], begins = new Set(line.begins), hi = line.high, n = line.t.length, pxPer = (x(view.b) - x(view.a)) / (view.b - view.a);
    let shown = 0;
    for (let i = 0; i < n; i++) {
      const px = hi ? (x(line.t[i]) + x(line.last[i])) / 2 : x(line.t[i]), move = i === 0 || begins.has(i);
      if (hi) {
        if (move) points.push([true, px, y(line.low[i])]); else points.push([false, px, y(line.low[i])]);
        if (hi[i] !== line.low[i]) points.push([false, px, y(hi[i])]);
        else if (move) points.push([false, px + 0.6, y(hi[i])]);
      } else {
        if (line.stepped && !move) points.push([false, px, y(line.low[i - 1])]);
        points.push([move, px, y(line.low[i])]);
        if (line.t[i] >= view.a && line.t[i] <= view.b) { shown += 1; if (dots.length < 400) dots.push([px, y(line.low[i])]); }
        if (move && (i + 1 === n || begins.has(i + 1))) points.push([false, px + 0.6, y(line.low[i])]);
      }
    }
    pen.line(points, line.colour, line.colour === "faint" ? 1 : 1.4, line.dash);
    if (shown && shown < 160 && pxPer) pen.dots(dots, line.colour, 2.1);
  }

  window.deskDraw = { canvasPen, svgPen, figure, height, panels, clock, day, step, number, grouped, colours, LEFT, RIGHT, US, nice };
})();

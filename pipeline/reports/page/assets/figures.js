// The figures of a page stand there as still pictures. The first touch of one unpacks its numbers, and the same picture can
// then be zoomed, moved in time and read: no other drawing takes its place. Figures of one time axis move together.
(() => {
  "use strict";
  const book = window.herdbook, WIDE = 1600, FINE = 4, POINTS = 1600, ACROSS = 9; // as still/marks.py and still/picture.py
  const TICK = 0.05; // half a step of the packed times [ms]
  const plots = [...document.querySelectorAll(".plot[data-spec]")];
  Object.assign(book, { drawn: 0, total: plots.length, error: "", start: () => Promise.all(plots.map(wake)), show });

  function wake(plot) {
    return plot.waking ||= begin(plot);
  }

  async function begin(plot) {
    let spec;
    try {
      spec = await book.read(plot.dataset.spec);
    } catch (problem) {
      book.error = String(problem);
      saidBy(plot).textContent = "This browser cannot make the figure move; the picture stays as it is.";
      return;
    }
    const board = plot.querySelector(".board"), { x, y } = JSON.parse(board.dataset.live), of = x.x;
    const traces = spec.data.map((given, i) => ({
      given, i, x: book.numbers(given.x, x[given.xaxis || "x"].names), y: given.type === "heatmap" ? null : book.numbers(given.y, y[given.yaxis || "y"].names),
      ax: x[given.xaxis || "x"], ay: y[given.yaxis || "y"], lane: lane(spec.layout[(given.yaxis || "y").replace("y", "yaxis")]), group: board.querySelector(`g[data-i="${i}"]`),
    }));
    traces.forEach(t => {
      t.ordered = given(t) === "scatter" && book.inOrder(t.x);
      t.marked = [...t.x.keys()].filter(k => { // as still/marks.py leaves out what lies beside the picture
        const p = book.place(t.ax, t.x[k]);
        return p > -0.01 && p < 1.01 && t.y && Number.isFinite(t.y[k]);
      });
    });
    const moves = Object.keys(x).length === 1 && of.kind !== "category";
    plot.live = { spec, board, x, y, traces, moves, home: [of.low, of.high], view: [of.low, of.high], fine: null, asked: 0 };
    plot.dataset.state = "drawn";
    book.drawn += 1;
    if (moves) { buttons(plot); board.classList.add("moves-x"); }
    book.reading(plot, () => moves && plot.dataset.sync ? family(plot).filter(p => p.live) : []);
  }

  const lane = axis => new Map((axis?.ticktext || []).map((words, k) => [Number(axis.tickvals[k]), book.plain(words)]));
  const given = t => t.given.type || "scatter";
  const saidBy = plot => plot.parentElement.querySelector(".zoomed");
  const family = plot => plots.filter(p => p !== plot && p.dataset.sync && p.dataset.sync === plot.dataset.sync);

  // Show a stretch of the x axis, here and in the figures of the same time axis.
  async function show(plot, low, high) {
    await wake(plot);
    if (!plot.live?.moves) return;
    const [a, b] = plot.live.home, all = low === null;
    await Promise.all([view(plot, all ? a : low, all ? b : high), ...family(plot).map(async other => {
      await wake(other);
      if (other.live?.moves) await view(other, all ? other.live.home[0] : low, all ? other.live.home[1] : high);
    })]);
  }

  async function view(plot, low, high) {
    const live = plot.live, of = live.x.x, mine = ++live.asked, whole = low === live.home[0] && high === live.home[1];
    [of.low, of.high] = live.view = [low, high];
    grid(live);
    windows(live);
    live.traces.forEach(t => place(t));
    plot.dataset.view = whole ? "" : `${low} ${high}`;
    const id = plot.dataset.spec.replace(/-spec$/, "-zoom");
    if (!document.getElementById(id)) return;
    if (whole) { saidBy(plot).textContent = plot.dataset.shown = ""; return; }
    live.fine ||= book.behind(id);
    const fine = await live.fine;
    if (mine !== live.asked) return; // somebody has moved on
    refine(plot, fine);
  }

  // All samples of the stretch in view, as many as a screen can show.
  function refine(plot, fine) {
    const live = plot.live, [low, high] = live.view, words = n => n.toLocaleString("en").replaceAll(",", "\u202f");
    let shown = 0, there = 0;
    for (const of of fine) {
      const t = live.traces[of.i], a = book.first(of.x, low - TICK), b = book.first(of.x, high + TICK);
      t.fine = of;
      shown += line(t, of.x, of.y, of.points);
      there += b - a;
    }
    saidBy(plot).textContent = there < 2 ? `Zoomed in: this page holds ${there ? "one sample" : "no sample"} of this stretch.`
      : shown >= there ? `Zoomed in: all ${words(there)} samples that this page holds of this stretch are drawn.`
      : `Zoomed in: ${words(shown)} of ${words(there)} samples of this stretch are drawn, spikes kept.`;
    plot.dataset.shown = shown;
  }

  function grid(live) {
    const of = live.x.x, g = live.board.querySelector(".gx"), { top, foot } = g.dataset, axis = live.spec.layout.xaxis;
    const far = v => (book.place(of, v) > 0.95 ? { style: "text-anchor:end" } : {}); // nothing is cut at the right
    const at = v => `${(100 * book.place(of, v)).toFixed(3)}%`, room = (of.end - of.start) * ACROSS;
    const parts = book.ticks(of, axis, room).flatMap(([v, words], k) => [
      element("line", { class: "gr", x1: at(v), x2: at(v), y1: top, y2: foot }),
      element("text", { class: k % 2 ? "xt odd" : "xt", x: at(v), y: Number(foot) + 16, ...far(v) }, words),
    ]);
    if (axis.zeroline && of.low < 0 && of.high > 0) parts.push(element("line", { class: "ax", x1: at(0), x2: at(0), y1: top, y2: foot }));
    parts.push(element("text", { class: "xt ti", x: `${50 * (of.start + of.end)}%`, y: Number(foot) + 36 }, book.title(of, axis)));
    parts.push(element("line", { class: "ax", x1: `${100 * of.start}%`, x2: `${100 * of.end}%`, y1: foot, y2: foot }));
    g.replaceChildren(...parts);
  }

  function element(name, attributes, words) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (words !== undefined) made.textContent = words;
    return made;
  }

  // Shaded windows and limit lines.
  function windows(live) {
    const of = live.x.x, shapes = live.spec.layout.shapes || [], held = v => Math.min(of.end, Math.max(of.start, book.place(of, v)));
    const rects = [...live.board.querySelectorAll(".win rect")], panels = Object.keys(live.y).length;
    shapes.filter(s => s.type === "rect").forEach((s, k) => rects.slice(k * panels, (k + 1) * panels).forEach(rect => span(rect, held(s.x0), held(s.x1), 0.002)));
    const lines = [...live.board.querySelectorAll(".sh")];
    shapes.filter(s => s.type === "line").forEach((s, k) => {
      if (s.xref === "paper") return;
      const [a, b] = [s.x0, s.x1].map(v => book.place(of, v));
      lines[k].setAttribute("x1", `${100 * a}%`);
      lines[k].setAttribute("x2", `${100 * b}%`);
      lines[k].classList.toggle("away", a === b && (a < of.start || a > of.end));
    });
  }

  function span(rect, a, b, least) {
    const away = b <= a;
    rect.classList.toggle("away", away);
    rect.setAttribute("x", `${100 * a}%`);
    rect.setAttribute("width", `${100 * Math.max(b - a, away ? 0 : least)}%`);
  }

  // The parts of a trace, from its own numbers: never from the rounded places of the still picture.
  function place(t) {
    const of = t.ax, at = v => book.place(of, v), seen = p => p >= of.start - 1e-9 && p <= of.end + 1e-9;
    t.fine = null;
    if (given(t) === "heatmap") {
      const map = t.group.querySelector("svg"), [, , , tall] = map.getAttribute("viewBox").split(" ");
      map.setAttribute("viewBox", `${10 * (of.low + 0.5)} 0 ${10 * (of.high - of.low)} ${tall}`);
    } else if (given(t) === "bar") {
      const from = book.numbers(t.given.base), held = p => Math.min(of.end, Math.max(of.start, p));
      [...t.group.querySelectorAll("rect")].forEach((rect, k) => {
        const ends = [at(from[k]), at(from[k] + t.x[k])].sort((a, b) => a - b);
        span(rect, held(ends[0]), held(ends[1]), ends[1] < of.start || ends[0] > of.end ? 0 : 0.0005);
      });
    } else {
      if ((t.given.mode || "lines").includes("lines")) line(t, t.x, t.y, POINTS);
      errors(t, at, seen);
      const marks = t.group.querySelector(".marks")?.children || [];
      [...marks].forEach((mark, k) => {
        const p = at(t.x[t.marked[k]]);
        mark.setAttribute(mark.localName === "circle" ? "cx" : "x", `${(100 * p).toFixed(4)}%`);
        mark.classList.toggle("away", !seen(p));
      });
    }
  }

  function errors(t, at, seen) {
    const bars = [...t.group.querySelectorAll(":scope > line")];
    for (const key of ["error_x", "error_y"]) {
      if (!t.given[key]) continue;
      const reach = book.numbers(t.given[key].array);
      t.x.forEach((x, k) => {
        if (!(reach[k] > 0 && Number.isFinite(x) && Number.isFinite(t.y[k]))) return;
        const bar = bars.shift(), far = key === "error_x" ? reach[k] : 0;
        bar.setAttribute("x1", `${100 * at(x - far)}%`);
        bar.setAttribute("x2", `${100 * at(x + far)}%`);
        bar.classList.toggle("away", !seen(at(x)));
      });
    }
  }

  // A line in its stretched frame; how many samples of the stretch in view it is drawn from.
  function line(t, x, y, points) {
    const frame = t.group.querySelector("svg"), { ax, ay } = t, step = t.given.line?.shape === "hv";
    const edge = ax.kind === "date" ? TICK : 1e-9 * (ax.high - ax.low);
    const a = t.ordered ? book.first(x, ax.low - edge) : 0, b = t.ordered ? book.first(x, ax.high + edge) : x.length;
    const inside = t.ordered ? book.chosen(y, a, b, points) : Array.from(x.keys());
    const order = t.ordered ? [...(a > 0 ? [a - 1] : []), ...inside, ...(b < x.length ? [b] : [])] : inside;
    const up = v => { const share = (v - ay.low) / (ay.high - ay.low); return FINE * ay.height * (ay.backwards ? share : 1 - share); };
    const along = v => { const share = (v - ax.low) / (ax.high - ax.low); return WIDE * (ax.backwards ? 1 - share : share); };
    let d = "", pen = false;
    for (const i of order) {
      if (!(Number.isFinite(x[i]) && Number.isFinite(y[i]))) { pen = false; continue; }
      const px = along(x[i]).toFixed(1), py = up(y[i]).toFixed(1);
      d += pen ? step ? `H${px}V${py}` : `L${px} ${py}` : `M${px} ${py}h0`;
      pen = true;
    }
    frame.querySelectorAll("path").forEach(path => path.setAttribute("d", path.classList.contains("ln") || !d ? d : d + "z"));
    return inside.length;
  }

  const STEPS = { "+": 0.5, "=": 0.5, "-": 2, ArrowLeft: -0.25, ArrowRight: 0.25, 0: 0 };
  const BUTTONS = [["+", "Closer"], ["-", "Wider"], ["ArrowLeft", "Earlier"], ["ArrowRight", "Later"], ["0", "All"]];
  const LEAST = 1e-7; // of the whole axis: closer than that nothing is left to see

  function buttons(plot) {
    const bar = document.createElement("div"), time = plot.live.x.x.kind === "date";
    bar.className = "moves";
    for (const [key, name] of BUTTONS) {
      if (!time && key.startsWith("Arrow")) continue;
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = name;
      button.addEventListener("click", () => move(plot, key));
      bar.append(button);
    }
    plot.after(bar);
  }

  function move(plot, key) {
    if (key === "0") return show(plot, null);
    const [a, b] = plot.live.view, width = b - a, step = STEPS[key], middle = (a + b) / 2;
    if (key.startsWith("Arrow")) return show(plot, a + step * width, b + step * width);
    if (step < 1 && width * step < LEAST * (plot.live.home[1] - plot.live.home[0])) return undefined;
    return show(plot, middle - step * width / 2, middle + step * width / 2);
  }

  // Keyboard: + and - zoom in time, arrows move, 0 shows all; figures of one time axis follow.
  async function keys(plot, event) {
    if (event.key === "ArrowUp" || event.key === "ArrowDown") {
      const all = sectionOf(plot), next = all[all.indexOf(plot) + (event.key === "ArrowDown" ? 1 : -1)];
      if (next) { event.preventDefault(); next.focus(); next.scrollIntoView({ block: "nearest" }); }
      return;
    }
    const numbers = plot.parentElement.querySelector("details.numbers");
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "n" && numbers) {
      event.preventDefault();
      numbers.open = !numbers.open;
    } else if (event.key in STEPS) {
      event.preventDefault();
      await wake(plot);
      if (plot.live?.moves) move(plot, event.key);
    }
  }

  // The figures of a section are one stop of the tab key.
  const sectionOf = plot => [...plot.closest("section, main").querySelectorAll(".plot[data-spec]")];
  plots.forEach(plot => { plot.tabIndex = sectionOf(plot)[0] === plot ? 0 : -1; });
  plots.forEach(plot => plot.addEventListener("focus", () => sectionOf(plot).forEach(p => { p.tabIndex = p === plot ? 0 : -1; })));

  // The numbers of a figure open by a key on it, and so are no stops of their own.
  document.querySelectorAll(".fig > details.numbers > summary").forEach(words => { words.tabIndex = -1; });

  // A link to a second: opens the figure around it.
  const BESIDE_MS = 5000;
  for (const link of document.querySelectorAll("a[data-at]")) link.addEventListener("click", () => {
    const at = Number(link.dataset.at);
    show(document.querySelector(`${link.hash} .plot`), at - BESIDE_MS, at + BESIDE_MS);
  });

  // A touch: a click or tap, a key, or a pointer that stays. A finger that only scrolls past starts nothing.
  const STAYS_MS = 250;
  for (const plot of plots) {
    let waits = 0;
    plot.addEventListener("click", () => wake(plot));
    plot.addEventListener("keydown", event => keys(plot, event));
    plot.addEventListener("pointerenter", event => {
      if (event.pointerType === "mouse") waits = setTimeout(() => wake(plot), STAYS_MS);
    });
    plot.addEventListener("pointerleave", () => clearTimeout(waits));
    plot.addEventListener("dblclick", () => show(plot, null));
  }
})();

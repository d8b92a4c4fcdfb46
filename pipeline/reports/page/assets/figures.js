// The figures of a page stand there as still pictures. The first touch of one starts the drawing library and puts a live
// figure in its place: to zoom, to move in time, to read values. Figures of one time axis then move together.
(() => {
  "use strict";
  const plots = [...document.querySelectorAll(".plot[data-spec]")];
  const state = { drawn: 0, total: plots.length, ready: true, error: "", start: () => Promise.all(plots.map(draw)) };
  window.herdbook = state;

  function inflate(id) {
    const bytes = Uint8Array.from(atob(document.getElementById(id).textContent), c => c.charCodeAt(0));
    return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip")));
  }

  // Specifications travel packed; a figure's own is unpacked at its first touch.
  const given = new WeakMap();
  async function read(plot) {
    if (!given.has(plot)) given.set(plot, JSON.parse(await inflate(plot.dataset.spec).text()));
  }

  let library = null;
  function started() {
    return library ||= begin().catch(problem => { state.error = String(problem); throw problem; });
  }

  async function begin() {
    window.open = () => null; // a policy stops requests, not a new window that is given an address
    const script = document.createElement("script"), beside = document.body.dataset.engine;
    if (beside) await new Promise((done, failed) => {
      Object.assign(script, { src: beside, onload: done, onerror: () => failed(new Error(`${beside} is not beside this page`)) });
      document.head.append(script);
    });
    else {
      script.textContent = await inflate("engine").text();
      document.head.append(script);
    }
    if (!window.Plotly) throw new Error("the drawing library did not start");
  }

  function colours(value, css) {
    if (typeof value === "string" && value[0] === "@") return css.getPropertyValue("--" + value.slice(1)).trim() || "#888";
    if (Array.isArray(value)) return value.map(v => colours(v, css));
    if (value && typeof value === "object")
      return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, k === "bdata" ? v : colours(v, css)]));
    return value;
  }

  function spec(plot) {
    const css = getComputedStyle(document.documentElement);
    const ready = colours(given.get(plot), css);
    ready.layout.font.family = getComputedStyle(document.body).fontFamily;
    ready.layout.hoverlabel = { ...ready.layout.hoverlabel, bgcolor: css.getPropertyValue("--card").trim(),
      bordercolor: css.getPropertyValue("--muted").trim(), font: { color: css.getPropertyValue("--ink").trim() } };
    if (plot.clientWidth < 560) {
      ready.layout.margin = { ...ready.layout.margin, l: 48, r: 8 };
      ready.layout.font.size = 11;
    }
    return ready;
  }

  // The library's own buttons stay away (one of them offered to upload the figure's data); ours stand below a live figure.
  const config = { responsive: true, displaylogo: false, displayModeBar: false, scrollZoom: false, topojsonURL: "", plotlyServerURL: "" };
  const STEPS = { "+": 0.5, "=": 0.5, "-": 2, ArrowLeft: -0.25, ArrowRight: 0.25, 0: 0 };
  const BUTTONS = [["+", "Closer"], ["-", "Wider"], ["ArrowLeft", "Earlier"], ["ArrowRight", "Later"], ["0", "All"]];

  function draw(plot) {
    return plot.making ||= make(plot);
  }

  async function make(plot) {
    plot.dataset.state = "drawing";
    const still = plot.querySelector(".still"), said = plot.parentElement.querySelector(".zoomed");
    plot.style.minHeight = `${plot.clientHeight}px`;
    try {
      await Promise.all([started(), read(plot)]);
      const { data, layout } = spec(plot);
      await window.Plotly.newPlot(plot, data, layout, config);
    } catch (problem) {
      state.error = String(problem);
      plot.dataset.state = "";
      said.textContent = "This browser cannot make the figure move; the picture stays as it is.";
      return;
    }
    still.hidden = true;
    plot.dataset.state = "drawn";
    state.drawn += 1;
    buttons(plot);
    if (plot.dataset.sync) join(plot);
    if (document.getElementById(plot.dataset.spec.replace(/-spec$/, "-zoom"))) refine(plot);
  }

  function buttons(plot) {
    const bar = document.createElement("div"), time = plot._fullLayout.xaxis.type === "date";
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

  // The samples behind a thinned figure (zoom_samples.py): byte planes of time steps and levels.
  async function samples(plot) {
    const whole = new Uint8Array(await inflate(plot.dataset.spec.replace(/-spec$/, "-zoom")).arrayBuffer());
    const long = new DataView(whole.buffer).getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(whole.subarray(4, 4 + long)));
    let at = 4 + long;
    const planes = (n, width) => {
      const out = new Uint32Array(n);
      for (let b = 0; b < width; b++) for (let i = 0; i < n; i++) out[i] |= whole[at + b * n + i] << (8 * b);
      at += n * width;
      return out;
    };
    for (const [kind, k] of head.order) {
      if (kind === 0) {
        const base = head.times[k], steps = new Int32Array(planes(base.n, 4).buffer);
        base.x = new Float64Array(base.n);
        for (let i = 0, ticks = Math.round(base.start / head.tick); i < base.n; i++) base.x[i] = (ticks += steps[i]) * head.tick;
      } else {
        const trace = head.traces[k], levels = planes(head.times[trace.t].n, 2);
        trace.x = head.times[trace.t].x;
        trace.y = Float64Array.from(levels, v => v === 65535 ? NaN : trace.low + v * trace.step);
      }
    }
    return head.traces;
  }

  function first(x, value) { // the first index whose time is not before value
    let low = 0, high = x.length;
    while (low < high) { const mid = (low + high) >> 1; if (x[mid] < value) low = mid + 1; else high = mid; }
    return low;
  }

  // Indices from a to b to draw: all of them, or of each slice the lowest, the highest and any hole.
  function chosen(y, a, b, points) {
    if (b - a <= points) return Array.from({ length: b - a }, (_, i) => a + i);
    const out = [], slices = Math.floor(points / 2);
    for (let s = 0; s < slices; s++) {
      const from = a + Math.floor((b - a) * s / slices), to = a + Math.floor((b - a) * (s + 1) / slices);
      let low = from, high = from, hole = -1;
      for (let i = from; i < to; i++) {
        if (Number.isNaN(y[i])) hole = i; else { if (!(y[i] >= y[low])) low = i; if (!(y[i] <= y[high])) high = i; }
      }
      out.push(...[...new Set(hole < 0 ? [low, high] : [low, high, hole])].sort((p, q) => p - q));
    }
    return out;
  }

  // On zoom, the visible stretch is drawn from all samples; outside it the thinned ones stay, so the scale does too.
  function refine(plot) {
    const said = plot.parentElement.querySelector(".zoomed"), grouped = n => n.toLocaleString("en").replaceAll(",", "\u202f");
    let all = null, asked = 0, zoomed = false;
    async function follow() {
      const mine = ++asked, axis = plot._fullLayout.xaxis, [from, to] = axis.range.map(v => axis.r2l(v));
      if (!all) all = await samples(plot);
      if (mine !== asked) return;
      const x = [], y = [], which = [];
      let shown = 0, there = 0, covers = true;
      for (const trace of all) {
        const a = Math.max(0, first(trace.x, from) - 1), b = Math.min(trace.x.length, first(trace.x, to) + 1);
        covers = covers && a === 0 && b === trace.x.length;
        const inside = chosen(trace.y, a, b, trace.points), whole = chosen(trace.y, 0, trace.x.length, trace.points);
        const picked = [...whole.filter(i => i < a), ...inside, ...whole.filter(i => i >= b)];
        which.push(trace.i);
        x.push(picked.map(i => trace.x[i]));
        y.push(picked.map(i => trace.y[i]));
        shown += inside.length;
        there += b - a;
      }
      if (covers && !zoomed) return;
      zoomed = !covers;
      const coarse = covers ? spec(plot).data : null, place = new Map(which.map((i, k) => [i, k]));
      const data = plot.data.map((trace, i) => !place.has(i) ? trace : covers ? { ...trace, x: coarse[i].x, y: coarse[i].y }
        : { ...trace, x: x[place.get(i)], y: y[place.get(i)] });
      // not restyle: with new times it would forget the axis' type and range
      await window.Plotly.react(plot, data, { ...plot.layout }, config);
      said.textContent = covers ? "" : shown >= there
        ? `Zoomed in: all ${grouped(there)} samples that this page holds of this stretch are drawn.`
        : `Zoomed in: ${grouped(shown)} of ${grouped(there)} samples of this stretch are drawn, spikes kept.`;
      plot.dataset.shown = covers ? "" : shown;
    }
    plot.on("plotly_relayout", change => { if (Object.keys(change).some(key => key.startsWith("xaxis"))) follow(); });
    plot.refined = () => { zoomed = true; follow(); };
  }

  function join(plot) {
    let mine = false;
    const family = plots.filter(p => p !== plot && p.dataset.sync === plot.dataset.sync);
    const others = () => family.filter(p => p.dataset.state === "drawn");
    plot.on("plotly_relayout", async change => {
      if (mine) return;
      const range = change["xaxis.range"] || (change["xaxis.range[0]"] !== undefined && [change["xaxis.range[0]"], change["xaxis.range[1]"]]);
      const update = range ? { "xaxis.range": [...range] } : change["xaxis.autorange"] ? { "xaxis.autorange": true } : null;
      if (!update) return;
      await Promise.all(family.map(draw));
      for (const other of others()) {
        other.dispatchEvent(new CustomEvent("follow", { detail: update }));
      }
    });
    plot.addEventListener("follow", async event => {
      mine = true;
      await window.Plotly.relayout(plot, event.detail);
      mine = false;
    });
    let frame = 0;
    const show = x => {
      cancelAnimationFrame(frame);
      frame = requestAnimationFrame(() => others().forEach(other => cursor(other, x)));
    };
    plot.on("plotly_hover", event => event.xvals && show(event.xvals[0]));
    plot.on("plotly_unhover", () => show(null));
  }

  // Keyboard: + and - zoom in time, arrows move, 0 shows all; figures of one time axis follow.
  async function keys(plot, event) {
    if (event.key === "ArrowUp" || event.key === "ArrowDown") {
      const family = sectionOf(plot), next = family[family.indexOf(plot) + (event.key === "ArrowDown" ? 1 : -1)];
      if (next) { event.preventDefault(); next.focus(); next.scrollIntoView({ block: "nearest" }); }
      return;
    }
    const numbers = plot.parentElement.querySelector("details.numbers");
    if (event.key === "n" && numbers && !event.ctrlKey && !event.metaKey && !event.altKey) {
      event.preventDefault();
      numbers.open = !numbers.open;
      return;
    }
    if (!(event.key in STEPS) || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    await draw(plot);
    if (plot.dataset.state === "drawn") move(plot, event.key);
  }

  function move(plot, key) {
    if (key === "0") {
      const first = spec(plot).layout, back = {};
      for (const name of Object.keys(first).filter(k => /^[xy]axis\d*$/.test(k)))
        if (first[name].range) back[`${name}.range`] = [...first[name].range]; else back[`${name}.autorange`] = first[name].autorange || true;
      window.Plotly.relayout(plot, back);
      return;
    }
    const axis = plot._fullLayout.xaxis, step = STEPS[key];
    const [a, b] = axis.range.map(v => axis.r2l(v)), width = b - a;
    const arrow = key.startsWith("Arrow"), middle = (a + b) / 2;
    const range = arrow ? [a + step * width, b + step * width] : [middle - step * width / 2, middle + step * width / 2];
    window.Plotly.relayout(plot, { "xaxis.range": range.map(v => axis.l2r(v)) });
  }

  function cursor(plot, x) {
    const shapes = (plot.layout.shapes || []).filter(s => s.name !== "cursor");
    if (x !== null) shapes.push({ name: "cursor", type: "line", xref: "x", x0: x, x1: x, yref: "paper", y0: 0, y1: 1,
      line: { width: 1, color: getComputedStyle(document.documentElement).getPropertyValue("--muted").trim() } });
    window.Plotly.relayout(plot, { shapes });
  }

  // The figures of a section are one stop of the tab key.
  const sectionOf = plot => [...plot.closest("section, main").querySelectorAll(".plot[data-spec]")];
  plots.forEach(plot => { plot.tabIndex = sectionOf(plot)[0] === plot ? 0 : -1; });
  plots.forEach(plot => plot.addEventListener("focus", () => sectionOf(plot).forEach(p => { p.tabIndex = p === plot ? 0 : -1; })));

  // The numbers of a figure open by a key on it, and so are no stops of their own.
  document.querySelectorAll(".fig > details.numbers > summary").forEach(words => { words.tabIndex = -1; });

  // A table is a stop only while it has to be scrolled to be read.
  const wide = new ResizeObserver(seen => seen.forEach(({ target: t }) => {
    if (t.scrollWidth > t.clientWidth + 1) t.tabIndex = 0; else t.removeAttribute("tabindex");
  }));
  document.querySelectorAll(".scroll").forEach(table => wide.observe(table));

  // On a phone the leaves behind the findings begin folded; a link into one opens it, and paper shows them all.
  const folds = [...document.querySelectorAll("details.fold")], NARROW = 720;
  const unfold = hash => {
    for (let at = hash.length > 1 && document.getElementById(decodeURIComponent(hash.slice(1))); at; at = at.parentElement)
      for (const fold of at.matches("section") ? at.querySelectorAll(":scope > details.fold") : [at.closest("details.fold")]) if (fold) fold.open = true;
  };
  folds.forEach(fold => { if (innerWidth < NARROW) fold.open = false; else fold.querySelector("summary").tabIndex = -1; });
  unfold(location.hash);
  document.querySelectorAll('a[href^="#"]').forEach(a => a.addEventListener("click", () => unfold(a.hash)));
  addEventListener("hashchange", () => unfold(location.hash));
  addEventListener("beforeprint", () => folds.forEach(fold => { fold.dataset.was = fold.open ? "1" : ""; fold.open = true; }));
  addEventListener("afterprint", () => folds.forEach(fold => { fold.open = fold.dataset.was !== ""; }));

  // A link to a second: opens the figure around it.
  const BESIDE_MS = 5000;
  for (const link of document.querySelectorAll("a[data-at]")) link.addEventListener("click", async () => {
    const plot = document.querySelector(`${link.hash} .plot`), at = Number(link.dataset.at);
    await draw(plot);
    if (plot.dataset.state === "drawn") {
      const axis = plot._fullLayout.xaxis;
      window.Plotly.relayout(plot, { "xaxis.range": [at - BESIDE_MS, at + BESIDE_MS].map(v => axis.l2r(v)) });
    }
  });

  // A touch: a click or tap, a key, or a pointer that stays. A finger that only scrolls past starts nothing.
  const STAYS_MS = 250;
  for (const plot of plots) {
    let waits = 0;
    plot.addEventListener("click", () => draw(plot));
    plot.addEventListener("keydown", event => keys(plot, event));
    plot.addEventListener("pointerenter", event => {
      if (event.pointerType === "mouse") waits = setTimeout(() => draw(plot), STAYS_MS);
    });
    plot.addEventListener("pointerleave", () => clearTimeout(waits));
  }

  function redraw() {
    for (const plot of plots.filter(p => p.dataset.state === "drawn")) {
      const { data, layout } = spec(plot);
      window.Plotly.react(plot, data, layout, config);
      if (plot.refined) plot.refined();
    }
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  addEventListener("beforeprint", () => plots.forEach(p => p.dataset.state === "drawn" && window.Plotly.Plots.resize(p)));

  const links = new Map([...document.querySelectorAll(".index a")].map(a => [a.hash.slice(1), a]));
  const here = new IntersectionObserver(seen => {
    const first = seen.find(s => s.isIntersecting);
    if (!first) return;
    links.forEach(a => a.removeAttribute("aria-current"));
    links.get(first.target.id)?.setAttribute("aria-current", "true");
  }, { rootMargin: "-10% 0px -70% 0px" });
  document.querySelectorAll("main > section[id]").forEach(s => here.observe(s));
})();

// Draws the figures of a page: unpacks the drawing engine once, draws what comes into view first and the rest while
// idle, replaces "@name" by the style sheet's colour of that name, keeps figures of one time axis together.
(() => {
  "use strict";
  const plots = [...document.querySelectorAll(".plot[data-spec]")];
  const state = { drawn: 0, total: plots.length, ready: plots.length === 0, error: "" };
  window.herdbook = state;

  function inflate(id) {
    const bytes = Uint8Array.from(atob(document.getElementById(id).textContent), c => c.charCodeAt(0));
    return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip")));
  }

  async function unpack() {
    window.open = () => null; // a policy stops requests, not a new window that is given an address
    const script = document.createElement("script");
    script.textContent = await inflate("engine").text();
    document.head.append(script);
    if (!window.Plotly) throw new Error("the drawing engine did not start");
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
    const raw = JSON.parse(document.getElementById(plot.dataset.spec).textContent);
    const ready = colours(raw, css);
    ready.layout.font.family = getComputedStyle(document.body).fontFamily;
    ready.layout.hoverlabel = { ...ready.layout.hoverlabel, bgcolor: css.getPropertyValue("--card").trim(),
      bordercolor: css.getPropertyValue("--muted").trim(), font: { color: css.getPropertyValue("--ink").trim() } };
    if (plot.clientWidth < 560) {
      ready.layout.margin = { ...ready.layout.margin, l: 48, r: 8 };
      ready.layout.font.size = 11;
    }
    return ready;
  }

  // The buttons we want, and none that a newer engine may add: one of those offered to upload the figure's data.
  const config = { responsive: true, displaylogo: false, scrollZoom: false, topojsonURL: "", plotlyServerURL: "",
    modeBarButtons: [["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d"]] };

  async function draw(plot) {
    if (plot.dataset.state) return;
    plot.dataset.state = "drawing";
    const { data, layout } = spec(plot);
    await window.Plotly.newPlot(plot, data, layout, config);
    plot.classList.remove("waiting");
    plot.dataset.state = "drawn";
    state.drawn += 1;
    plot.addEventListener("keydown", event => keys(plot, event));
    if (plot.dataset.sync) join(plot);
    if (document.getElementById(plot.dataset.spec.replace(/-spec$/, "-zoom"))) refine(plot);
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
    const others = () => plots.filter(p => p !== plot && p.dataset.sync === plot.dataset.sync && p.dataset.state === "drawn");
    plot.on("plotly_relayout", change => {
      if (mine) return;
      const range = change["xaxis.range"] || (change["xaxis.range[0]"] !== undefined && [change["xaxis.range[0]"], change["xaxis.range[1]"]]);
      const update = range ? { "xaxis.range": [...range] } : change["xaxis.autorange"] ? { "xaxis.autorange": true } : null;
      if (!update) return;
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
  function keys(plot, event) {
    const axis = plot._fullLayout.xaxis, steps = { "+": 0.5, "=": 0.5, "-": 2, ArrowLeft: -0.25, ArrowRight: 0.25, 0: 0 };
    if (!(event.key in steps) || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    if (event.key === "0") { window.Plotly.relayout(plot, { "xaxis.autorange": true }); return; }
    const [a, b] = axis.range.map(v => axis.r2l(v)), width = b - a, step = steps[event.key];
    const arrow = event.key.startsWith("Arrow"), middle = (a + b) / 2;
    const range = arrow ? [a + step * width, b + step * width] : [middle - step * width / 2, middle + step * width / 2];
    window.Plotly.relayout(plot, { "xaxis.range": range.map(v => axis.l2r(v)) });
  }

  function cursor(plot, x) {
    const shapes = (plot.layout.shapes || []).filter(s => s.name !== "cursor");
    if (x !== null) shapes.push({ name: "cursor", type: "line", xref: "x", x0: x, x1: x, yref: "paper", y0: 0, y1: 1,
      line: { width: 1, color: getComputedStyle(document.documentElement).getPropertyValue("--muted").trim() } });
    window.Plotly.relayout(plot, { shapes });
  }

  const idle = () => new Promise(done => (window.requestIdleCallback || setTimeout)(done, { timeout: 200 }));

  async function main() {
    if (!plots.length) return;
    plots.forEach(p => p.classList.add("waiting"));
    await new Promise(done => requestAnimationFrame(() => setTimeout(done)));
    try {
      await unpack();
    } catch (problem) {
      state.error = String(problem);
      plots.forEach(p => { p.classList.remove("waiting");
        p.textContent = "This browser cannot draw the figure; its numbers are in the table below."; });
      return;
    }
    const eyes = new IntersectionObserver(seen => seen.filter(s => s.isIntersecting).forEach(s => draw(s.target)),
      { rootMargin: "300px" });
    plots.forEach(p => eyes.observe(p));
    for (const plot of plots) { await idle(); await draw(plot); }
    state.ready = true;
    document.documentElement.dataset.figures = "drawn";
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
  main();
})();

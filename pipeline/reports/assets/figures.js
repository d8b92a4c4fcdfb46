// Draws the figures of a page: unpacks the drawing engine once, draws what comes into view first and the rest while
// idle, replaces "@name" by the style sheet's colour of that name, keeps figures of one time axis together.
(() => {
  "use strict";
  const plots = [...document.querySelectorAll(".plot[data-spec]")];
  const state = { drawn: 0, total: plots.length, ready: plots.length === 0, error: "" };
  window.herdbook = state;

  async function unpack() {
    const bytes = Uint8Array.from(atob(document.getElementById("engine").textContent), c => c.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    const script = document.createElement("script");
    script.textContent = await new Response(stream).text();
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

  const config = { responsive: true, displaylogo: false, scrollZoom: false, topojsonURL: "",
    modeBarButtonsToRemove: ["lasso2d", "select2d", "autoScale2d", "toImage", "sendDataToCloud"] };

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

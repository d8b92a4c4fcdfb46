// One signal against another: a fine grid of how often each pair came, darker where it came more often.
(() => {
  "use strict";
  const draw = window.deskDraw, desk = window.desk, canvas = document.getElementById("scatter"), said = document.getElementById("said");
  if (!canvas) return;
  let data = null;
  const L = 70, R = 16, T = 30, B = 54, width = () => Math.max(280, Math.min(canvas.parentElement.clientWidth, 1000)), height = () => Math.round(Math.min(560, width() * 0.72));
  function figure(pen, w, h) {
    const of = axis => { const room = (axis.high - axis.low) * 0.03 || 0.5; return [axis.low - room, axis.high + room]; };
    const [xl, xh] = of(data.x), [yl, yh] = of(data.y), x = v => L + (v - xl) / (xh - xl) * (w - L - R), y = v => h - B - (v - yl) / (yh - yl) * (h - T - B);
    const name = a => `${a.name}${a.unit ? ` [${a.unit}]` : ""}`;
    for (const v of data.x.states.length ? data.x.states.map((_, i) => i) : draw.nice(xl, xh, Math.max(2, w / 130))) { pen.line([[true, x(v), T], [false, x(v), h - B]], "rule"); pen.text(data.x.states[v] || draw.number(v), x(v), h - B + 17, { align: "center", size: 11, colour: "muted" }); }
    for (const v of data.y.states.length ? data.y.states.map((_, i) => i) : draw.nice(yl, yh, 6)) { pen.line([[true, L, y(v)], [false, w - R, y(v)]], "rule"); pen.text(data.y.states[v] || draw.number(v), L - 7, y(v) + 4, { align: "right", size: 11, colour: "muted" }); }
    const [cx, cy, n] = data.cells, most = Math.log1p(Math.max(...n)), cw = (x(data.x.high) - x(data.x.low)) / data.columns, ch = (y(data.y.low) - y(data.y.high)) / data.rows;
    for (let i = 0; i < n.length; i++) {
      const wide = Math.max(2, cw), high = Math.max(2, ch);
      pen.rect(data.x.low === data.x.high ? x(data.x.low) - 1 : x(data.x.low) + cx[i] * cw, (data.y.low === data.y.high ? y(data.y.low) : y(data.y.low) - (cy[i] + 1) * ch), wide, high, "line1", 0.35 + 0.65 * Math.log1p(n[i]) / most);
    }
    pen.line([[true, L, T], [false, L, h - B], [false, w - R, h - B]], "muted");
    pen.text(name(data.y), L, T - 10, { bold: true, size: 13 });
    pen.text(name(data.x), w - R, h - B + 34, { align: "right", bold: true, size: 13 });
    pen.text(`n = ${draw.grouped(data.n)} pairs`, L, h - B + 34, { size: 11, colour: "muted" });
  }
  function paint() { if (data) { canvas.style.width = `${width()}px`; figure(draw.canvasPen(canvas, width(), height()), width(), height()); } }
  const words = () => `${draw.grouped(data.n)} pairs in ${draw.grouped(data.cells[2].length)} cells of a grid of ${data.columns} by ${data.rows}; darker came more often, none is left out. A pair: a sample of ${data.x.name} with the newest value of ${data.y.name}, 2 s old at most${data.n < data.of ? `; ${draw.grouped(data.of - data.n)} ${data.of - data.n === 1 ? "sample" : "samples"} had none` : ""}. ${data.x.name} ${draw.number(data.x.low)} to ${draw.number(data.x.high)} ${data.x.unit}, ${data.y.name} ${draw.number(data.y.low)} to ${draw.number(data.y.high)} ${data.y.unit}.`;
  async function ask() {
    const p = new URLSearchParams(location.search);
    for (const axis of ["x", "y"]) p.set(axis, document.querySelector(`[name=${axis}]`).value);
    for (const end of ["from", "to"]) p.set(end, document.querySelector(`[name=${end}]`).value);
    try {
      data = await desk.ask(`/scatter/data?${p}`);
      said.textContent = words();
      canvas.setAttribute("aria-label", words());
      canvas.dataset.ready = "1";
      const ways = document.getElementById("ways");
      ways.hidden = !data.copies.sql;
      for (const code of ways.querySelectorAll("[data-copies]")) code.textContent = data.copies[code.dataset.copies] || "";
      for (const link of ways.querySelectorAll("[data-as]")) link.href = `/ask/file?${new URLSearchParams({ sql: data.copies.sql || "", as: link.dataset.as })}`;
      paint();
    } catch (problem) { said.textContent = ""; document.getElementById("wrong").textContent = problem.message; }
  }
  function save(blob, ending) {
    const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: `pairs.${ending}` });
    document.body.append(link);
    link.click();
    link.remove();
  }
  document.getElementById("png").addEventListener("click", () => data && canvas.toBlob(blob => save(blob, "png")));
  document.getElementById("svg").addEventListener("click", () => { if (data) { const pen = draw.svgPen(width(), height(), words()); figure(pen, width(), height()); save(new Blob([pen.whole()], { type: "image/svg+xml" }), "svg"); } });
  new ResizeObserver(paint).observe(canvas.parentElement);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", paint);
  ask();
})();

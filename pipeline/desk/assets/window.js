// The page of signals: zoom, move, read values, mark a stretch. Every view is its address; every change asks the desk anew.
(() => {
  "use strict";
  const draw = window.deskDraw, desk = window.desk, root = document.getElementById("window");
  if (!root) return;
  const canvas = document.getElementById("figure"), reading = document.getElementById("reading"), said = document.getElementById("said");
  const table = document.getElementById("values"), problems = document.getElementById("problems"), progress = document.getElementById("progress");
  const record = { a: Number(root.dataset.first), b: Number(root.dataset.last) }, zone = { name: root.dataset.zone };
  const q = `w${Math.random().toString(36).slice(2)}`;
  const params = new URLSearchParams(location.search);
  let names = JSON.parse(root.dataset.names), view = { a: Number(root.dataset.from), b: Number(root.dataset.to) };
  let data = null, mark = null, read = null, brush = null, aborter = null, timer = 0, pushed = 0, frame = 0, again = 0, markAt = null;
  const timing = window.deskTiming = { asked: 0, came: 0, painted: 0, first: 0 };
  const iso = t => new Date(Math.floor(t / 1000)).toISOString().slice(0, 19) + "." + String(((Math.round(t) % 1e6) + 1e6) % 1e6).padStart(6, "0") + "Z";
  const us = text => { const m = /^(.+?)(?:\.(\d{1,6}))?Z$/.exec(text || ""); return m ? Date.parse(m[1] + "Z") * 1000 + Number((m[2] || "0").padEnd(6, "0")) : NaN; };
  if (params.get("mark")) { const [a, b] = params.get("mark").split("/").map(us); if (a <= b) { mark = { a, b }; read = a; canvas.focus({ preventScroll: true }); } }
  const strong = names.filter(n => n.includes("["));
  const item = params.get("item") || "", number = (item.match(/\d+/) || [""])[0];
  if (number) for (const n of names) if (!n.includes("[")) strong.push(`${n}[${number}]`);

  const width = () => Math.max(280, canvas.parentElement.clientWidth);
  function paint() {
    cancelAnimationFrame(frame);
    frame = requestAnimationFrame(() => {
      if (!data) return;
      const pen = draw.canvasPen(canvas, width(), draw.height(data, width()));
      draw.figure(pen, data, local(), width(), extra());
      timing.painted = performance.now();
      timing.first ||= timing.painted;
    });
  }
  const local = () => ({ a: view.a - data.start, b: view.b - data.start });
  function extra() {
    const marks = [];
    if (mark) marks.push({ a: mark.a - data.start, b: mark.b - data.start });
    if (brush) marks.push({ a: Math.min(brush.a, brush.b) - data.start, b: Math.max(brush.a, brush.b) - data.start, colour: "line1" });
    return { zone: zone.name, marks, reading: read == null ? null : read - data.start, caption: caption(), strong, empty: data.left ? "Preparing …" : "None of these signals was recorded in this stretch." };
  }
  function counted() {
    let n = 0, drawn = 0, about = false, exact = true;
    for (const of of [data, data.beside]) for (const line of of ? of.lines : []) {
      n += line.n;
      drawn += line.exact ? line.n : line.t.length * 2;
      about ||= line.about;
      exact &&= line.exact;
    }
    return { n, drawn, about, exact };
  }
  function caption() {
    const { n, exact, about } = counted(), who = data.beside ? `${data.vehicle} and ${data.beside.vehicle}` : data.vehicle;
    const much = exact ? `n = ${draw.grouped(n)}, every sample is drawn` : `n = ${about ? "about " : ""}${draw.grouped(n)}, drawn: lowest and highest of each pixel`;
    return `${who}; ${much}; a gap is time that was not recorded.`;
  }

  function address() {
    const p = new URLSearchParams([["v", data ? data.vehicle : params.get("v")]]);
    for (const n of names) p.append("s", n);
    p.set("from", iso(view.a));
    p.set("to", iso(view.b));
    for (const key of ["b", "at", "bt", "rule", "item"]) if (params.get(key)) p.set(key, params.get(key));
    if (mark) p.set("mark", `${iso(mark.a)}/${iso(mark.b)}`);
    return p;
  }
  function keep() {
    const to = `${location.pathname}?${address()}`;
    if (location.href.endsWith(to)) { /* nothing moved */ } else if (pushed && Date.now() - pushed > 900) { history.pushState(null, "", to); pushed = Date.now(); } else { history.replaceState(null, "", to); pushed ||= Date.now(); }
    for (const link of document.querySelectorAll("[data-window]")) { const p = address(); if (link.dataset.as) p.set("as", link.dataset.as); link.href = `${link.dataset.window}?${p}`; }
    for (const [id, t] of [["f-from", (mark || view).a], ["f-to", (mark || view).b]]) { const f = document.getElementById(id); if (f) f.value = iso(t); }
    const f = document.getElementById("f-signals");
    if (f) f.value = names.join(" ");
    const stretch = document.getElementById("note-stretch");
    if (stretch) stretch.textContent = `${mark ? "the marked stretch" : "what is shown"}, ${words(mark || view)}`;
  }
  function words({ a, b }) {
    const fine = draw.step(b - a, 300), d = draw.day(a, zone.name), e = draw.day(b, zone.name);
    return `${d} ${draw.clock(a, zone.name, Math.min(fine, draw.US.s))} to ${d === e ? "" : e + " "}${draw.clock(b, zone.name, Math.min(fine, draw.US.s))} ${zone.name}`;
  }

  async function ask() {
    aborter?.abort();
    const mine = aborter = new AbortController(), p = address();
    p.delete("mark");
    p.set("px", Math.round(width() - draw.LEFT - draw.RIGHT));
    p.set("q", q);
    timing.asked = performance.now();
    root.setAttribute("aria-busy", "true");
    try {
      const came = await desk.ask(`/window/data?${p}`, { signal: mine.signal });
      if (mine !== aborter) return;
      timing.came = performance.now();
      data = came;
      desk.say("");
      paint();
      tell();
      clearTimeout(again);
      if (left() > 0) again = setTimeout(ask, 300);
    } catch (problem) {
      if (problem.name === "AbortError" || mine !== aborter) return;
      desk.say(problem.message, true);
      if (problem.gone) again = setTimeout(ask, 2000);
    }
    root.removeAttribute("aria-busy");
  }
  const left = () => data.left + (data.beside ? data.beside.left : 0);

  function tell() {
    const all = [data, ...(data.beside ? [data.beside] : [])], { n, exact, about } = counted();
    progress.hidden = left() === 0;
    if (left()) progress.querySelector("span").textContent = `Preparing: ${left()} ${left() === 1 ? "piece" : "pieces"} of the record left. What is there is drawn.`;
    const missing = all.map(d => d.logs || d.expired ? d.expired ? `${d.expired} ${d.expired === 1 ? "log" : "logs"} of ${d.vehicle} in this stretch ${d.expired === 1 ? "is" : "are"} no longer kept.` : "" : `No log of ${d.vehicle} covers this stretch: nothing was recorded.`).filter(Boolean);
    const twice = all.filter(d => d.overlapping && !exact).map(d => `Logs of ${d.vehicle} overlap here: their samples are counted once a log.`);
    const told = [`${words(view)}.`, `${about ? "About " : ""}${draw.grouped(n)} ${n === 1 ? "sample" : "samples"}; ${exact ? "every one is drawn." : "of every pixel the lowest and the highest are drawn, so no spike is lost."}`,
      data.beside ? `Dashed beside it: ${data.beside.vehicle}, ${words({ a: data.beside.start, b: data.beside.end })}.` : "", gaps(all), ...missing, ...twice, left() ? "Being prepared: what is there is drawn." : ""].filter(Boolean).join(" ");
    if (said.textContent !== told) said.textContent = told; // it is read aloud when it changes
    problems.replaceChildren(...all.flatMap(d => d.problems.map(text => data.beside ? `${d.vehicle}: ${text}` : text)).map(text => Object.assign(document.createElement("li"), { textContent: text })));
    values();
    canvas.setAttribute("aria-label", `Signals of ${all.map(d => d.vehicle).join(" and ")}: ${[...new Set(all.flatMap(d => d.lines.map(line => `${line.words}${line.unit ? ` in ${line.unit}` : ""}`)))].join(", ") || names.join(", ")}. ${said.textContent} The values stand in the table below. The buttons above move it, too. Keys: plus and minus zoom, left and right move, 0 shows the whole record, comma and full stop move the reading line, m marks.`);
    keep();
    copies();
    root.dataset.ready = left() ? "" : "1";
  }
  // The stretch by other ways is asked for when somebody looks at it.
  const ways = document.getElementById("ways");
  let waysOf = "";
  async function copies() {
    const p = address();
    p.delete("mark");
    if (!ways?.open || waysOf === p.toString()) return;
    waysOf = p.toString();
    try {
      const made = await desk.ask(`/window/copies?${p}`);
      for (const code of document.querySelectorAll("[data-copies]")) { code.textContent = made[code.dataset.copies] || ""; code.closest(".copy").hidden = !code.textContent; }
      ways.dataset.ready = "1";
    } catch (problem) { waysOf = ""; desk.say(problem.message, true); }
  }
  ways?.addEventListener("toggle", copies);
  // Time without a record, between the first and the last sample that is drawn of a signal.
  function gaps(all) {
    const most = Math.max(0, ...all.flatMap(d => d.lines.map(line => line.begins.filter(i => i > 0).length)));
    return all.some(d => d.lines.length) ? most ? `Gaps are time that was not recorded: ${draw.grouped(most)} in the signal that has most.` : "No gap between first and last sample." : "";
  }
  const whose = of => !data.beside ? "" : data.beside.vehicle !== data.vehicle ? `${of.vehicle}: ` : of === data ? "this: " : "beside: ";
  function at(line, t) { // the value drawn at an offset: [low, high], or null where nothing was recorded
    const last = line.last || line.t;
    let low = 0, high = line.t.length - 1, i = -1;
    while (low <= high) { const mid = (low + high) >> 1; if (line.t[mid] <= t) { i = mid; low = mid + 1; } else high = mid - 1; }
    if (i < 0 || (t > last[i] && (i + 1 >= line.t.length || line.begins.includes(i + 1)))) return null;
    return [line.low[i], (line.high || line.low)[i]];
  }
  const shown = (line, v) => line.states.length ? (line.states[v] || String(v)).replaceAll("_", " ") : draw.number(v);
  function values() {
    const body = table.tBodies[0], rows = [], v = local();
    for (const of of [data, data.beside]) for (const line of of ? of.lines : []) {
      let low = Infinity, high = -Infinity;
      const hi = line.high || line.low, last = line.last || line.t;
      for (let i = 0; i < line.t.length; i++) if (last[i] >= v.a && line.t[i] <= v.b) { low = Math.min(low, line.low[i]); high = Math.max(high, hi[i]); }
      const now = read == null ? null : at(line, read - data.start);
      const cells = [`${whose(of)}${line.words}`, line.unit, `${line.about ? "≈ " : ""}${draw.grouped(line.n)}`, low > high ? "not recorded" : shown(line, low), low > high ? "not recorded" : shown(line, high),
        read == null ? "" : now ? now[0] === now[1] ? shown(line, now[0]) : `${shown(line, now[0])} to ${shown(line, now[1])}` : "not recorded"];
      const row = document.createElement("tr");
      cells.forEach((text, i) => { const cell = document.createElement(i ? "td" : "th"); if (!i) cell.scope = "row"; if (i > 1) cell.className = "num"; cell.textContent = text; row.append(cell); });
      rows.push(row);
    }
    body.replaceChildren(...rows);
    document.getElementById("reading-head").textContent = read == null ? "At the line" : `At ${draw.clock(read, zone.name, Math.min(draw.step(view.b - view.a, 2000), draw.US.s))}`;
  }
  function tellReading() {
    const all = [];
    for (const of of [data, data.beside]) for (const line of of ? of.lines : []) { const now = at(line, read - data.start); all.push(`${line.words} ${now ? shown(line, now[1]) + " " + line.unit : "not recorded"}`); }
    reading.textContent = `${draw.clock(read, zone.name, Math.min(draw.step(view.b - view.a, 2000), draw.US.s))}: ${all.slice(0, 8).join(", ")}`;
  }

  const LEAST = 1000, MOST = 20 * 366 * draw.US.d;
  function go(a, b) {
    let span = Math.min(MOST, Math.max(LEAST, b - a));
    const middle = (a + b) / 2;
    a = Math.max(0, Math.round(middle - span / 2));
    view = { a, b: a + Math.round(span) };
    paint();
    keep();
    clearTimeout(timer);
    if (root.ariaBusy || performance.now() - timing.asked < 120) timer = setTimeout(ask, 40); else ask(); // a single step is asked for at once, a run of them when it pauses
  }
  const MOVES = {
    "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), ArrowLeft: () => move(-0.25), ArrowRight: () => move(0.25), 0: () => go(record.a, record.b + 1), PageUp: () => move(-1), PageDown: () => move(1),
    Home: () => go(record.a, record.a + view.b - view.a), End: () => go(record.b - (view.b - view.a), record.b), ",": () => readAt(-1), ".": () => readAt(1), ArrowUp: () => leap(-1), ArrowDown: () => leap(1), m: markHere, Escape: () => { mark = read = markAt = null; paint(); values(); keep(); },
  };
  function zoom(by, around = read ?? (view.a + view.b) / 2) {
    if (around < view.a || around > view.b) around = (view.a + view.b) / 2;
    go(around - (around - view.a) * by, around + (view.b - around) * by);
  }
  const move = by => go(view.a + by * (view.b - view.a), view.b + by * (view.b - view.a));
  function readAt(way) {
    if (!data) return;
    const pixel = (view.b - view.a) / (width() - draw.LEFT - draw.RIGHT), first = data.lines[0];
    if (read == null) read = (view.a + view.b) / 2;
    else if (first && first.exact && first.t.length) { // sample by sample
      const t = read - data.start, next = way > 0 ? first.t.find(s => s > t + 0.5) : first.t.findLast(s => s < t - 0.5);
      read = next === undefined ? read + way * 4 * pixel : data.start + next;
    } else read += way * 4 * pixel;
    read = Math.min(view.b, Math.max(view.a, read));
    paint();
    values();
    tellReading();
  }
  function leap(way) { // a tenth of what is shown
    read = Math.min(view.b, Math.max(view.a, (read ?? view.a) + way * (view.b - view.a) / 10));
    paint();
    values();
    tellReading();
  }
  function markHere() {
    const t = read ?? (view.a + view.b) / 2;
    if (markAt == null) { markAt = t; desk.say("Marked from here: move the reading line, then m again."); return; }
    mark = { a: Math.min(markAt, t), b: Math.max(markAt, t) };
    markAt = null;
    desk.say(`Marked: ${words(mark)}.`);
    paint();
    keep();
  }

  canvas.addEventListener("keydown", event => {
    if (event.ctrlKey || event.metaKey || event.altKey || !(event.key in MOVES)) return;
    event.preventDefault();
    event.stopPropagation();
    MOVES[event.key]();
  });
  for (const button of document.querySelectorAll("[data-move]")) button.addEventListener("click", () => MOVES[button.dataset.move]());
  const timeAt = event => { const box = canvas.getBoundingClientRect(); return view.a + (event.clientX - box.left - draw.LEFT) / (box.width - draw.LEFT - draw.RIGHT) * (view.b - view.a); };
  canvas.addEventListener("wheel", event => {
    if (document.activeElement !== canvas && !event.ctrlKey) return;
    event.preventDefault();
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) move(event.deltaX / 800); else zoom(Math.exp(Math.max(-1, Math.min(1, event.deltaY / 300))), timeAt(event));
  }, { passive: false });
  canvas.addEventListener("pointerdown", event => {
    if (event.button !== 0 || !data) return;
    canvas.focus({ preventScroll: true });
    canvas.setPointerCapture(event.pointerId);
    const t = timeAt(event);
    brush = { a: t, b: t, marks: event.shiftKey || document.getElementById("marking").checked, x: event.clientX };
  });
  canvas.addEventListener("pointermove", event => {
    if (!data) return;
    if (brush) { brush.b = timeAt(event); paint(); return; }
    if (event.pointerType === "mouse") { read = Math.min(view.b, Math.max(view.a, timeAt(event))); paint(); values(); }
  });
  canvas.addEventListener("pointerup", event => {
    if (!brush) return;
    const done = brush, a = Math.max(0, Math.min(done.a, done.b)), b = Math.max(done.a, done.b);
    brush = null;
    if (Math.abs(event.clientX - done.x) < 5) { read = done.a; paint(); values(); tellReading(); return; }
    if (done.marks) { mark = { a, b }; desk.say(`Marked: ${words(mark)}.`); paint(); keep(); } else go(a, b);
  });
  canvas.addEventListener("pointercancel", () => { brush = null; paint(); });
  canvas.addEventListener("dblclick", () => zoom(4));
  addEventListener("popstate", () => {
    const p = new URLSearchParams(location.search), a = us(p.get("from")), b = us(p.get("to"));
    if (a < b) { view = { a, b }; names = p.getAll("s").length ? p.getAll("s") : names; const m = (p.get("mark") || "").split("/").map(us); mark = m[0] <= m[1] ? { a: m[0], b: m[1] } : null; chips(); paint(); ask(); pushed = Date.now(); }
  });
  let seen = 0;
  new ResizeObserver(() => { const before = seen; seen = width(); if (before === seen) return; paint(); if (before) { clearTimeout(timer); timer = setTimeout(ask, 150); } }).observe(canvas.parentElement);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", paint);

  // Which signals.
  const list = document.getElementById("chips"), add = document.getElementById("add");
  function chips() {
    list.replaceChildren(...names.map(name => {
      const one = document.createElement("li"), button = document.createElement("button");
      one.append(name + " ");
      Object.assign(button, { type: "button", textContent: "×", title: `Leave ${name} out` });
      button.setAttribute("aria-label", `Leave ${name} out`);
      button.addEventListener("click", () => { names = names.filter(n => n !== name); chips(); keep(); ask(); add.focus(); });
      one.append(button);
      return one;
    }));
  }
  document.getElementById("adding").addEventListener("submit", event => {
    event.preventDefault();
    const name = add.value.trim();
    if (name && !names.includes(name)) { names = [...names, name]; chips(); keep(); ask(); }
    add.value = "";
  });
  document.getElementById("zone").addEventListener("change", event => { zone.name = event.target.value; paint(); if (data) tell(); });
  progress.querySelector("button").addEventListener("click", async () => {
    clearTimeout(again);
    aborter?.abort();
    await desk.ask(`/window/stop?q=${q}`, { method: "POST" }).catch(() => 0);
    progress.hidden = true;
    desk.say("Stopped. What is drawn is a part of the record; zoom or move to go on.");
  });

  addEventListener("pagehide", () => { if (data && left()) fetch(`/window/stop?q=${q}`, { method: "POST", keepalive: true, headers: { "X-Desk-Mark": desk.mark } }); });

  // The figure as a file.
  function save(blob, ending) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = `${data.vehicle.replace(/[^A-Za-z0-9._-]+/g, "_")}-${iso(view.a).slice(0, 19).replaceAll(":", "")}.${ending}`;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }
  document.getElementById("png").addEventListener("click", () => { if (data) { paint(); requestAnimationFrame(() => canvas.toBlob(blob => save(blob, "png"))); } });
  document.getElementById("svg").addEventListener("click", () => {
    if (!data) return;
    const pen = draw.svgPen(width(), draw.height(data, width()), caption());
    draw.figure(pen, data, local(), width(), extra());
    save(new Blob([pen.whole()], { type: "image/svg+xml" }), "svg");
  });
  chips();
  const first = document.getElementById("first");
  if (first) { // came with the page
    data = JSON.parse(first.textContent);
    timing.came = performance.now();
    paint();
    tell();
    if (left() > 0) ask();
  } else { keep(); ask(); }
})();

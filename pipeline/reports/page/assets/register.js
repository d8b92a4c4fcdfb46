// The register: search, filter, sort and page through columns held as arrays; only the rows in view are in the page.
(() => {
  "use strict";
  const data = JSON.parse(document.getElementById("data").textContent);
  const total = data.n.length, PAGE = 100;
  const body = document.querySelector("#book tbody");
  const by = id => document.getElementById(id);
  const haystack = data.n.map((name, i) =>
    `${name} ${data.b.names[data.b.at[i]]} ${data.w.names[data.w.at[i]]} ${data.p.names[data.p.at[i]]}`.toLowerCase());
  const words = ["Stop use", "Service", "Note"], marks = ["stop-use", "service", "note"];
  let order = Array.from({ length: total }, (_, i) => i), shown = order, key = "s", up = true, page = 0;

  const severity = i => data.s[i] ? data.s[i].findIndex(n => n > 0) : 3;
  const collate = new Intl.Collator("en", { numeric: true }).compare;
  const value = {
    n: i => data.n[i], b: i => data.b.names[data.b.at[i]], w: i => data.w.names[data.w.at[i]],
    s: i => severity(i) * 1e6 - (data.s[i] ? data.s[i][severity(i)] : 0),
    ...Object.fromEntries(data.m.map((column, m) => ["m" + m, i => column[i]])), u: i => data.u[i], d: i => data.d[i],
    a: i => data.d[i] === null ? null : Math.max(0, data.day - data.d[i]), // a clock may be a little ahead of the scan
  };

  function sort() {
    const keys = Array.from({ length: total }, (_, i) => value[key](i));
    const text = typeof keys[0] === "string", sign = up ? 1 : -1;
    order = Array.from({ length: total }, (_, i) => i).sort((a, b) => {
      const x = keys[a], y = keys[b];
      if (x === null || y === null) return (x === null) - (y === null) || a - b;
      return (text ? collate(x, y) : x - y) * sign || a - b;
    });
  }

  function choose() {
    const terms = by("find").value.toLowerCase().split(/\s+/).filter(Boolean), only = by("only").value;
    shown = order.filter(i => terms.every(term => haystack[i].includes(term)) && fits(i, only));
    page = 0;
    draw();
  }

  function fits(i, only) {
    if (only === "") return true;
    if (only === "clear") return data.s[i] === 0;
    if (only === "silent") return data.q[i] === 1;
    if (only === "unknown") return data.m.some(column => column[i] === null);
    return data.s[i] !== 0 && data.s[i][Number(only)] > 0;
  }

  const names = [...document.querySelectorAll("#book thead button")].map(button => button.textContent);
  function cell(row, content, kind) {
    const td = row.appendChild(document.createElement("td"));
    td.dataset.name = names[row.children.length - 1]; // for a card, where no head stands above
    if (kind) td.className = kind;
    td.append(content);
    return td;
  }

  function findings(i) {
    const box = document.createElement("span");
    if (!data.s[i]) { box.textContent = "none"; box.className = "dim"; }
    else data.s[i].forEach((count, s) => {
      if (!count) return;
      const mark = document.createElement("span");
      mark.className = "mark mark-" + marks[s];
      mark.textContent = `${["■", "▲", "●"][s]} ${words[s]}${count > 1 ? " ×" + count : ""}`;
      box.append(mark, " ");
    });
    if (data.q[i]) box.append(" silent");
    return box;
  }

  function trail(text) {
    const ns = "http://www.w3.org/2000/svg", svg = document.createElementNS(ns, "svg");
    svg.setAttribute("viewBox", "0 0 48 14");
    svg.setAttribute("class", "trail");
    svg.setAttribute("aria-hidden", "true");
    let path = "", last = null;
    const from = 46 - 4 * (text.length - 1);  // the newest scan stands at the right
    [...text].forEach((c, x) => {
      if (c === ".") return;
      const y = 13 - parseInt(c, 36) / 35 * 12;
      path += (path ? "L" : "M") + (from + x * 4) + " " + y.toFixed(1);
      last = [from + x * 4, y];
    });
    if (last) {
      const line = svg.appendChild(document.createElementNS(ns, "path"));
      line.setAttribute("d", path);
      const dot = svg.appendChild(document.createElementNS(ns, "circle"));
      dot.setAttribute("cx", last[0]); dot.setAttribute("cy", last[1].toFixed(1)); dot.setAttribute("r", "1.6");
    }
    return svg;
  }

  function score(row, i, m) {
    const number = data.m[m][i], text = data.t[m][i];
    const td = cell(row, number === null ? "n/a" : String(number), number === null ? "num dim" : "num");
    if (text) td.prepend(trail(text), " ");
  }

  function draw() {
    const rows = document.createDocumentFragment();
    for (const i of shown.slice(page * PAGE, (page + 1) * PAGE)) {
      const row = rows.appendChild(document.createElement("tr"));
      if (data.s[i] && data.s[i][0]) row.className = "stop-use";
      const name = row.appendChild(document.createElement("th"));
      name.scope = "row";
      const link = name.appendChild(document.createElement("a"));
      link.href = "vehicles/" + encodeURIComponent(data.f[i] || data.n[i]) + ".html";
      link.textContent = data.n[i];
      link.tabIndex = rows.children.length === 1 ? 0 : -1; // the rows are one stop of the tab key: up and down go on
      cell(row, data.b.names[data.b.at[i]] || "n/a", "place");
      cell(row, data.w.names[data.w.at[i]] || "n/a", "place");
      delete cell(row, findings(i), "marks").dataset.name;
      data.m.forEach((_, m) => score(row, i, m));
      cell(row, String(data.u[i]), "num");
      cell(row, data.d[i] === null ? "none" : new Date(data.d[i] * 864e5).toISOString().slice(0, 10), "num");
      cell(row, data.d[i] === null ? "n/a" : `${value.a(i)} d`, "num");
    }
    body.replaceChildren(rows);
    const pages = Math.max(1, Math.ceil(shown.length / PAGE));
    by("count").textContent = `${shown.length} of ${total} vehicles`;
    by("place").textContent = `Page ${page + 1} of ${pages}`;
    by("back").disabled = page === 0;
    by("next").disabled = page >= pages - 1;
  }

  // Keys within the register: up and down from vehicle to vehicle, left and right along the heads.
  function walk(all, event, back, on) {
    const next = all[all.indexOf(event.target) + (event.key === back ? -1 : event.key === on ? 1 : 0)];
    if (!next || next === event.target) return;
    event.preventDefault();
    all.forEach(each => { each.tabIndex = each === next ? 0 : -1; });
    next.focus();
  }
  const heads = [...document.querySelectorAll("#book thead button")];
  heads.forEach((head, k) => { head.tabIndex = k ? -1 : 0; });
  heads[0].closest("thead").addEventListener("keydown", event => walk(heads, event, "ArrowLeft", "ArrowRight"));
  body.addEventListener("keydown", event => walk([...body.querySelectorAll("th a")], event, "ArrowUp", "ArrowDown"));

  document.querySelectorAll("#book button[data-key]").forEach(button => button.addEventListener("click", () => {
    up = button.dataset.key === key ? !up : true;
    key = button.dataset.key;
    point();
    sort();
    choose();
    remember();
  }));
  let typing = 0;
  by("find").addEventListener("input", () => { clearTimeout(typing); typing = setTimeout(() => { choose(); remember(); }, 80); });
  by("only").addEventListener("change", () => { choose(); remember(); });
  by("back").addEventListener("click", () => { page -= 1; draw(); remember(); });
  by("next").addEventListener("click", () => { page += 1; draw(); remember(); });

  // what is shown stands in the address: #register?find=...&only=...&sort=-m1&page=2
  function remember() {
    const kept = new URLSearchParams();
    if (by("find").value) kept.set("find", by("find").value);
    if (by("only").value) kept.set("only", by("only").value);
    if (key !== "s" || !up) kept.set("sort", (up ? "" : "-") + key);
    if (page) kept.set("page", page + 1);
    const text = kept.toString();
    if (text || location.hash.startsWith("#register?")) history.replaceState(null, "", text ? "#register?" + text : "#register");
  }

  function recall() {
    if (!location.hash.startsWith("#register?")) return false;
    const kept = new URLSearchParams(location.hash.slice("#register?".length)), wanted = kept.get("sort") || "s";
    by("find").value = kept.get("find") || "";
    by("only").value = [...by("only").options].some(o => o.value === kept.get("only")) ? kept.get("only") : "";
    up = !wanted.startsWith("-");
    key = Object.hasOwn(value, wanted.replace("-", "")) ? wanted.replace("-", "") : "s";
    point();
    sort();
    choose();
    page = Math.min(Math.max(0, (parseInt(kept.get("page"), 10) || 1) - 1), Math.max(0, Math.ceil(shown.length / PAGE) - 1));
    draw();
    return true;
  }

  function point() {
    document.querySelectorAll("#book th[aria-sort]").forEach(th => th.removeAttribute("aria-sort"));
    document.querySelector(`#book button[data-key="${key}"]`).parentElement
      .setAttribute("aria-sort", up ? "ascending" : "descending");
  }

  window.addEventListener("hashchange", () => { if (recall()) by("register").scrollIntoView(); });
  document.addEventListener("keydown", event => {
    if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey || /INPUT|SELECT|TEXTAREA/.test(event.target.tagName)) return;
    event.preventDefault();
    by("find").focus();
  });
  if (recall()) by("register").scrollIntoView();
  else { sort(); choose(); }
  window.herdbook = { ready: true, opened_ms: performance.now() };
})();

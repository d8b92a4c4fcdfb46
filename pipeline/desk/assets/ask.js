// A question in SQL: asked without leaving the page, with its progress, and stopped when somebody wants.
(() => {
  "use strict";
  const desk = window.desk, form = document.getElementById("asking"), sql = document.getElementById("sql"), stop = document.getElementById("stop");
  const far = document.getElementById("far"), aloud = document.getElementById("far-said"), wrong = document.getElementById("wrong"), answer = document.getElementById("answer"), files = document.getElementById("files");
  if (!form) return;
  let q = "", began = 0;
  async function ask(push) {
    const text = sql.value.trim();
    if (!text || q) return;
    q = `s${Math.random().toString(36).slice(2)}`;
    const mine = q;
    began = Date.now();
    stop.hidden = false;
    wrong.textContent = "";
    answer.setAttribute("aria-busy", "true");
    far.textContent = aloud.textContent = "Asking …";
    const p = new URLSearchParams({ sql: text });
    if (push) history.pushState(null, "", `/ask?${p}`);
    const ticking = setInterval(async () => {
      const seen = await desk.ask(`/progress?q=${mine}`).catch(() => null);
      if (q === mine) far.textContent = `${Math.round((Date.now() - began) / 1000)} s${seen && seen.words ? ", " + seen.words : ""}`;
    }, 700);
    try {
      show(await desk.ask(`/ask/rows?${p}&q=${mine}`));
      for (const link of files.querySelectorAll("a")) link.href = `/ask/file?${new URLSearchParams({ sql: text, as: link.dataset.as })}`;
      files.hidden = false;
    } catch (problem) {
      answer.replaceChildren();
      wrong.textContent = problem.message;
    }
    clearInterval(ticking);
    q = "";
    stop.hidden = true;
    answer.removeAttribute("aria-busy");
    far.textContent = wrong.textContent ? "" : `Answered in ${((Date.now() - began) / 1000).toFixed(1)} s.`;
    aloud.textContent = wrong.textContent ? "" : `${far.textContent} ${answer.querySelector("p")?.textContent || ""}`;
  }
  function show(found) {
    const said = document.createElement("p"), scroll = document.createElement("div"), table = document.createElement("table"), head = table.createTHead().insertRow(), body = table.createTBody();
    said.className = "full";
    said.textContent = `${found.rows.length} ${found.rows.length === 1 ? "row" : "rows"}${found.more ? "; there are more: take them as a file" : ""}.`;
    Object.assign(scroll, { className: "scroll", tabIndex: 0 });
    scroll.setAttribute("role", "region");
    scroll.setAttribute("aria-label", "Answer");
    table.createCaption().textContent = "Answer";
    table.caption.className = "quiet";
    found.columns.forEach((name, i) => { const cell = document.createElement("th"); cell.scope = "col"; cell.textContent = name; if (found.numeric[i]) cell.className = "num"; head.append(cell); });
    for (const row of found.rows) { const line = body.insertRow(); row.forEach((text, i) => { const cell = line.insertCell(); cell.textContent = text; if (found.numeric[i]) cell.className = "num"; }); }
    scroll.append(table);
    answer.replaceChildren(said, scroll);
    for (const kind of ["command", "python"]) document.querySelector(`[data-copies=${kind}]`).textContent = found.copies[kind];
  }
  form.addEventListener("submit", event => { event.preventDefault(); ask(true); });
  sql.addEventListener("keydown", event => { if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) { event.preventDefault(); ask(true); } });
  stop.addEventListener("click", () => desk.ask(`/stop?q=${q}`, { method: "POST" }).catch(problem => { wrong.textContent = problem.message; }));
  addEventListener("popstate", () => { sql.value = new URLSearchParams(location.search).get("sql") || ""; ask(false); });
  if (answer.dataset.run) ask(false);
})();

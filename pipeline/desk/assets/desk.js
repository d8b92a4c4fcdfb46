// Keys, copying, and forms whose text is kept whatever happens. Pages work without it.
(() => {
  "use strict";
  const state = document.getElementById("state");
  const desk = window.desk = {
    mark: document.body.dataset.mark,
    say(text, bad = false) { if (state) { state.textContent = text; state.classList.toggle("bad", bad); } },
    // An answer as JSON, or an Error whose message is meant for people.
    async ask(path, options = {}) {
      const headers = { Accept: "application/json", ...(options.method === "POST" ? { "X-Desk-Mark": desk.mark } : {}) };
      let answer;
      try {
        answer = await fetch(path, { ...options, headers });
      } catch (problem) {
        if (problem.name === "AbortError") throw problem;
        throw Object.assign(new Error("The desk does not answer. It was stopped: start it again with `herdbook desk`, then go on here."), { gone: true });
      }
      let said = null;
      try { said = await answer.json(); } catch { said = null; }
      if (answer.ok && said) return said;
      const words = said && said.what ? [said.what, said.do].filter(Boolean).map(t => /[.!?]$/.test(t) ? t : t + ".").join(" ") : answer.status === 403 ? "This desk was started anew: open the address that its terminal shows, then go on here." : `The desk answered with ${answer.status}.`;
      throw Object.assign(new Error(words[0].toUpperCase() + words.slice(1)), { status: answer.status, stopped: said && said.stopped, entered: said && said.entered });
    },
  };

  // One key to the next of what a page lists.
  const items = () => [...document.querySelectorAll("[data-item]")].filter(e => e.getClientRects().length);
  function go(step) {
    const all = items();
    if (!all.length) return;
    const at = all.indexOf(document.activeElement);
    const next = all[at < 0 ? (step > 0 ? 0 : all.length - 1) : Math.min(all.length - 1, Math.max(0, at + step))];
    next.focus();
    next.scrollIntoView({ block: "center" });
  }
  const typing = e => e.target.closest("input, textarea, select, [contenteditable]");
  const keys = document.getElementById("keys");
  const show = () => keys.open || keys.showModal();
  let led = 0;
  document.addEventListener("keydown", event => {
    if (event.ctrlKey || event.metaKey || event.altKey || typing(event) || keys?.open) return;
    if (Date.now() - led < 1500 && { f: 1, n: 1, s: 1 }[event.key]) {
      led = 0;
      event.preventDefault();
      location.href = { f: "/fleet", n: "/night", s: "/window" }[event.key];
      return;
    }
    const search = document.getElementById("find");
    if (event.key === "g") led = Date.now();
    else if (event.key === "n" || event.key === "j") go(1);
    else if (event.key === "p" || event.key === "k") go(-1);
    else if (event.key === "?") show();
    else if (event.key === "/" && search) { search.focus(); search.select(); }
    else return;
    if (event.key !== "g") event.preventDefault();
  });
  document.querySelector("[data-keys]")?.addEventListener("click", show);

  for (const button of document.querySelectorAll("[data-copy]")) button.addEventListener("click", async () => {
    const text = button.parentElement.querySelector("code").textContent;
    try { await navigator.clipboard.writeText(text); desk.say("Copied."); } catch {
      const range = document.createRange();
      range.selectNodeContents(button.parentElement.querySelector("code"));
      getSelection().removeAllRanges();
      getSelection().addRange(range);
      desk.say("Selected: copy it with the keys of your system.");
    }
  });

  // What takes a while says how far it is, and can be stopped: files that are made, pages that are put together.
  const busy = document.getElementById("busy"), aloud = document.getElementById("busy-said"), fresh = () => `f${Math.random().toString(36).slice(2)}`;
  let stopIt = null;
  function waiting(words, q, give_up) {
    const [said, far] = busy.querySelectorAll("span"), begun = Date.now();
    let open = true, shown = 0;
    const tick = async () => {
      const seen = await desk.ask(`/progress?q=${q}`).catch(() => null);
      if (!open) return;
      if (busy.hidden) { busy.hidden = false; said.textContent = `${words} …`; aloud.textContent = `${words}. It can be stopped.`; }
      far.textContent = `${Math.round((Date.now() - begun) / 1000)} s${seen && seen.words ? `, ${seen.done}${seen.of ? ` of ${seen.of}` : ""} ${seen.words}` : ""}`;
      shown = setTimeout(tick, 500);
    };
    shown = setTimeout(tick, 250);
    const end = () => { open = false; clearTimeout(shown); busy.hidden = true; said.textContent = far.textContent = aloud.textContent = ""; stopIt = null; };
    stopIt = () => { end(); fetch(`/stop?q=${q}`, { method: "POST", keepalive: true, headers: { "X-Desk-Mark": desk.mark } }).catch(() => 0); give_up(); desk.say("Stopped."); };
    return end;
  }
  busy?.querySelector("button").addEventListener("click", () => stopIt?.());
  async function take(href) {
    stopIt?.();
    const q = fresh(), aborter = new AbortController(), end = waiting("Writing the file", q, () => aborter.abort()), to = new URL(href, location.href);
    to.searchParams.set("q", q);
    desk.say("");
    try {
      const made = await desk.ask(to, { signal: aborter.signal });
      const link = Object.assign(document.createElement("a"), { href: made.to, download: "" });
      document.body.append(link);
      link.click();
      link.remove();
      end();
    } catch (problem) { if (problem.name !== "AbortError") { end(); desk.say(problem.message, true); } }
  }
  function long(href, words) {
    const q = fresh(), to = new URL(href, location.href);
    to.searchParams.set("q", q);
    waiting(words, q, () => window.stop());
    location.assign(to);
  }
  const plain = event => !(event.ctrlKey || event.metaKey || event.shiftKey || event.altKey || event.button);
  document.addEventListener("click", event => {
    const link = event.target.closest("a[href]");
    if (!link || !plain(event) || !link.protocol.startsWith("http") || link.origin !== location.origin) return;
    if (link.hasAttribute("download") && !link.pathname.startsWith("/made/")) { event.preventDefault(); take(link.href); } else if (link.dataset.long) { event.preventDefault(); long(link.href, link.dataset.long); }
  });
  document.addEventListener("submit", event => {
    const form = event.target;
    if (!("file" in form.dataset) && !form.dataset.long) return;
    event.preventDefault();
    const href = `${form.action}?${new URLSearchParams(new FormData(form))}`;
    if (form.dataset.long) long(href, form.dataset.long); else take(href);
  });
  addEventListener("pageshow", event => { if (event.persisted && busy) busy.hidden = true; });
  if (new URLSearchParams(location.search).has("q")) { const own = new URL(location.href); own.searchParams.delete("q"); history.replaceState(null, "", own); }

  // What somebody types stays in the form until the store has it: also over a reload, a busy store, a desk that stopped.
  for (const form of document.querySelectorAll("form[data-keep]")) {
    const place = `desk ${form.dataset.keep}`, said = form.querySelector("[role=alert]");
    const fields = () => [...form.querySelectorAll("textarea[name], input[type=text][name], select[name]")];
    const keep = () => { try { sessionStorage.setItem(place, JSON.stringify(fields().map(f => [f.name, f.value]))); } catch { /* then only the form has it */ } };
    const kept = JSON.parse(sessionStorage.getItem(place) || "null");
    if (kept) for (const [name, value] of kept) { const f = fields().find(f => f.name === name); if (f && !f.value) f.value = value; }
    form.addEventListener("input", keep);
    form.addEventListener("submit", async event => {
      event.preventDefault();
      const button = event.submitter || form.querySelector("button"), before = button.textContent;
      button.disabled = true;
      button.textContent = "Writing …";
      said.textContent = "";
      try {
        const answer = await desk.ask(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)) });
        sessionStorage.removeItem(place);
        for (const f of form.querySelectorAll("textarea")) f.value = "";
        desk.say(answer.said);
        if (answer.to) { location.assign(answer.to); if (new URL(answer.to, location.href).pathname === location.pathname) location.reload(); }
        form.dispatchEvent(new CustomEvent("entered", { detail: answer, bubbles: true }));
      } catch (problem) {
        keep();
        said.textContent = `${problem.entered ? "" : "Not entered. "}${problem.message} What you typed stays here.`;
      }
      button.disabled = false;
      button.textContent = before;
    });
  }
})();

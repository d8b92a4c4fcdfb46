// What a page does besides its figures: stops of the tab key, folds, the list of leaves.
(() => {
  "use strict";
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

  const links = new Map([...document.querySelectorAll(".index a")].map(a => [a.hash.slice(1), a]));
  const here = new IntersectionObserver(seen => {
    const first = seen.find(s => s.isIntersecting);
    if (!first) return;
    links.forEach(a => a.removeAttribute("aria-current"));
    links.get(first.target.id)?.setAttribute("aria-current", "true");
  }, { rootMargin: "-10% 0px -70% 0px" });
  document.querySelectorAll("main > section[id]").forEach(s => here.observe(s));
})();

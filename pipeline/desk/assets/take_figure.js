// Figures that stand in the page as SVG, taken along as a file: with their colours and words written in. A figure is what
// carries data-figure (its words); one drawing of it, or several that each carry a data-label and then stand in rows.
(() => {
  "use strict";
  const STYLES = ["fill", "stroke", "stroke-width", "fill-opacity", "stroke-dasharray", "font-size"], MARGIN = 10, WIDE = 460, LABEL = 210, ROW = 22;
  const SIZES = { gauge: [WIDE, 26], "bar-of": [WIDE - LABEL, 12] }; // of drawings that the page stretches
  const make = (name, given, text) => { const e = document.createElementNS("http://www.w3.org/2000/svg", name); for (const [k, v] of Object.entries(given)) e.setAttribute(k, v); if (text) e.textContent = text; return e; };
  const broken = (text, most) => text.split(/\s+/).reduce((out, word) => { if ((out.at(-1) + word).length > most) out.push(word); else out[out.length - 1] += (out.at(-1) ? " " : "") + word; return out; }, [""]);
  function copied(drawn, x, y, width, height) {
    const box = drawn.viewBox.baseVal, inner = make("g", { transform: `translate(${x} ${y}) scale(${width / box.width} ${height / box.height})` });
    for (const one of drawn.children) {
      const copy = one.cloneNode(true), css = getComputedStyle(one);
      for (const style of STYLES) copy.setAttribute(style, css.getPropertyValue(style));
      copy.setAttribute("vector-effect", "non-scaling-stroke");
      copy.removeAttribute("class");
      inner.append(copy);
    }
    return inner;
  }
  function whole(figure) {
    const ink = getComputedStyle(document.body).color, caption = figure.querySelector("[data-caption]")?.textContent.trim() || "";
    const lines = caption ? broken(caption, 86) : [], heads = broken(figure.dataset.figure, 58), HEAD = 10 + 16 * heads.length, parts = [];
    let y = HEAD;
    for (const drawn of figure.querySelectorAll("svg[role=img], svg[data-label]")) {
      const box = drawn.viewBox.baseVal, [w, h] = SIZES[drawn.classList[0]] || [box.width, box.height], label = drawn.dataset.label;
      if (label) parts.push(make("text", { x: MARGIN, y: y + 11, "font-size": 11.5, fill: ink }, label));
      parts.push(copied(drawn, MARGIN + (label ? LABEL : 0), y, w, h));
      y += label ? ROW : h;
    }
    const width = WIDE + 2 * MARGIN, height = y + 14 + 14 * lines.length + MARGIN;
    const out = make("svg", { xmlns: "http://www.w3.org/2000/svg", width, height, viewBox: `0 0 ${width} ${height}`, "font-family": "sans-serif", role: "img" });
    out.append(make("title", {}, [figure.dataset.figure, caption].filter(Boolean).join(". ")), make("rect", { width, height, fill: getComputedStyle(document.documentElement).getPropertyValue("--card").trim() || "#fff" }));
    heads.forEach((text, i) => out.append(make("text", { x: MARGIN, y: 18 + 16 * i, "font-size": 13, "font-weight": 600, fill: ink }, text)));
    out.append(...parts);
    lines.forEach((text, i) => out.append(make("text", { x: MARGIN, y: y + 16 + 14 * i, "font-size": 10.5, fill: ink }, text)));
    return { text: new XMLSerializer().serializeToString(out) + "\n", width, height };
  }
  function save(blob, ending) {
    const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: `figure.${ending}` });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }
  for (const button of document.querySelectorAll("[data-take]")) button.addEventListener("click", async () => {
    const { text, width, height } = whole(button.closest("[data-figure]")), blob = new Blob([text], { type: "image/svg+xml" });
    if (button.dataset.take === "svg") return save(blob, "svg");
    const image = new Image();
    image.src = URL.createObjectURL(blob);
    await image.decode();
    const canvas = Object.assign(document.createElement("canvas"), { width: width * 2, height: height * 2 });
    canvas.getContext("2d").drawImage(image, 0, 0, width * 2, height * 2);
    canvas.toBlob(made => save(made, "png"));
  });
})();

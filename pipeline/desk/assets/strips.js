// Figures that stand in the page as SVG, taken along as a file: with their colours and words written in.
(() => {
  "use strict";
  const STYLES = ["fill", "stroke", "stroke-width", "fill-opacity", "stroke-dasharray", "font-size"], MARGIN = 10;
  function whole(figure) {
    const drawn = figure.querySelector("svg"), box = drawn.viewBox.baseVal, of = getComputedStyle(document.body);
    const make = (name, given, text) => { const e = document.createElementNS("http://www.w3.org/2000/svg", name); for (const [k, v] of Object.entries(given)) e.setAttribute(k, v); if (text) e.textContent = text; return e; };
    const caption = figure.querySelector("small")?.textContent.trim() || "";
    const broken = (text, most) => text.split(/\s+/).reduce((out, word) => { if ((out.at(-1) + word).length > most) out.push(word); else out[out.length - 1] += (out.at(-1) ? " " : "") + word; return out; }, [""]);
    const lines = broken(caption, 86), heads = broken(drawn.dataset.words, 58), HEAD = 10 + 16 * heads.length;
    const width = box.width + 2 * MARGIN, height = HEAD + box.height + 14 + 14 * lines.length + MARGIN;
    const out = make("svg", { xmlns: "http://www.w3.org/2000/svg", width, height, viewBox: `0 0 ${width} ${height}`, "font-family": "sans-serif", role: "img" });
    out.append(make("title", {}, `${drawn.dataset.words}. ${caption}`), make("rect", { width, height, fill: getComputedStyle(document.documentElement).getPropertyValue("--card").trim() || "#fff" }));
    heads.forEach((text, i) => out.append(make("text", { x: MARGIN, y: 18 + 16 * i, "font-size": 13, "font-weight": 600, fill: of.color }, text)));
    const inner = make("g", { transform: `translate(${MARGIN} ${HEAD})` }), from = [...drawn.children];
    for (const one of from) { const copy = one.cloneNode(true), css = getComputedStyle(one); for (const style of STYLES) copy.setAttribute(style, css.getPropertyValue(style)); copy.removeAttribute("class"); inner.append(copy); }
    out.append(inner);
    lines.forEach((text, i) => out.append(make("text", { x: MARGIN, y: HEAD + box.height + 16 + 14 * i, "font-size": 10.5, fill: of.color }, text)));
    return { text: new XMLSerializer().serializeToString(out) + "\n", width, height };
  }
  function save(blob, ending) {
    const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: `figure.${ending}` });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }
  for (const button of document.querySelectorAll("[data-strip]")) button.addEventListener("click", async () => {
    const { text, width, height } = whole(button.closest("figure")), blob = new Blob([text], { type: "image/svg+xml" });
    if (button.dataset.strip === "svg") return save(blob, "svg");
    const image = new Image();
    image.src = URL.createObjectURL(blob);
    await image.decode();
    const canvas = Object.assign(document.createElement("canvas"), { width: width * 2, height: height * 2 });
    canvas.getContext("2d").drawImage(image, 0, 0, width * 2, height * 2);
    canvas.toBlob(made => save(made, "png"));
  });
})();

// Axes of a live figure: where a value lies, and where ticks stand. The same ticks as the still picture's (still/scale.py).
window.herdbook = {};
(() => {
  "use strict";
  const SECOND = 1e3, MINUTE = 6e4, HOUR = 3.6e6, DAY = 8.64e7, MINUS = "\u2212", THIN = "\u202f";
  const STEPS = [
    ...[0, 1, 2].flatMap(p => [1, 2, 5].map(b => b * 10 ** p)), ...[1, 2, 5, 10, 15, 30].map(s => s * SECOND),
    ...[1, 2, 5, 10, 15, 30].map(m => m * MINUTE), ...[1, 2, 3, 6, 12].map(h => h * HOUR), ...[1, 2, 4, 7, 14].map(d => d * DAY),
  ];
  const MONTHS = [1, 2, 3, 6, 12, 24, 60, 120];

  // From 0 to 1 along the whole picture. of: kind, low, high, backwards, start, end.
  function place(of, value) {
    const share = (value - of.low) / (of.high - of.low);
    return of.start + (of.end - of.start) * (of.backwards ? 1 - share : share);
  }

  function value(of, share) {
    const along = (share - of.start) / (of.end - of.start);
    return of.low + (of.backwards ? 1 - along : along) * (of.high - of.low);
  }

  function grouped(v, digits) {
    const text = Math.abs(v).toFixed(digits), [whole, rest] = text.split(".");
    const said = whole.replace(/\B(?=(\d{3})+$)/g, THIN) + (rest ? "." + rest : "");
    return v < 0 && Number(text) ? MINUS + said : said;
  }

  const iso = ms => new Date(ms).toISOString();

  function numberTicks(low, high, room) {
    const least = (high - low) / Math.max(1, room), power = 10 ** Math.floor(Math.log10(least));
    const step = ([1, 2, 5].find(b => b * power >= least * (1 - 1e-9)) || 10) * power;
    const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9)), out = [];
    for (let k = Math.ceil(low / step - 1e-9); k <= Math.floor(high / step + 1e-9); k++) out.push([k * step, grouped(k * step, digits)]);
    return out;
  }

  function dateTicks(low, high, room) {
    const least = (high - low) / Math.max(1, room), step = STEPS.find(s => s >= least), out = [];
    if (step === undefined) return monthTicks(low, high, least);
    const [from, to] = step < MINUTE ? [11, 19] : step < DAY ? [11, 16] : [0, 10];
    let before = "";
    for (let k = Math.ceil(low / step); k <= Math.floor(high / step); k++) {
      const at = iso(k * step), day = at.slice(0, 10);
      let words = at.slice(from, to);
      if (step < SECOND) words += at.slice(19, 23).replace(/\.?0+$/, "");
      if (step < DAY && high - low > DAY && day !== before) words = `${day} ${words}`;
      before = day;
      out.push([k * step, words]);
    }
    return out;
  }

  function monthTicks(low, high, least) {
    const step = MONTHS.find(m => m * 30.4 * DAY >= least) || MONTHS.at(-1), begin = new Date(low), out = [];
    const month = begin.getUTCFullYear() * 12 + begin.getUTCMonth();
    for (let m = month - month % step; ; m += step) {
      const at = Date.UTC(Math.floor(m / 12), m % 12, 1);
      if (at > high) return out;
      if (at >= low) out.push([at, iso(at).slice(0, 7)]);
    }
  }

  // [value, words] of each tick of a number or date axis. given: the axis of the specification.
  function ticks(of, given, room) {
    if (given.tickvals) return given.tickvals.map((v, i) => [v, plain((given.ticktext || given.tickvals)[i])])
      .filter(([v]) => v >= of.low && v <= of.high);
    return (of.kind === "date" ? dateTicks : numberTicks)(of.low, of.high, Math.max(3, room));
  }

  // The title of an axis, with the day of a short stretch of time.
  function title(of, given) {
    const own = plain(given.title?.text || ""), short = of.kind === "date" && of.high - of.low <= DAY;
    const days = short ? [...new Set([of.low, of.high].map(v => iso(v).slice(0, 10)))].join(" to ") : "";
    return [own, days].filter(Boolean).join(", ");
  }

  // A moment as exact as the stretch of time it is read from.
  function moment(ms, span) {
    const text = iso(ms).replace("T", " ");
    return span > 60 * DAY ? text.slice(0, 10) : span > 3 * DAY ? text.slice(0, 16) : span > HOUR ? text.slice(0, 19) : text.slice(0, 23);
  }

  // Labels hold escaped text, as a little HTML was read in them once: text again, never markup.
  function plain(text) {
    const names = { lt: "<", gt: ">", amp: "&", quot: '"', "#x27": "'", "#39": "'" };
    return String(text).replaceAll("<br>", " ").replace(/&(lt|gt|amp|quot|#x27|#39);/g, (_, name) => names[name]);
  }

  Object.assign(window.herdbook, { place, value, ticks, title, moment, plain, short: v => v < 0 ? MINUS + shortest(-v, 4) : shortest(v, 4), shortest, minus: MINUS });

  // Significant digits without trailing noughts, never as a power of ten where digits say it.
  function shortest(v, digits) {
    if (!v) return "0";
    return v >= 10 ** digits ? v.toFixed(0) : v < 1e-5 ? v.toPrecision(digits) : String(Number(v.toPrecision(digits)));
  }
})();

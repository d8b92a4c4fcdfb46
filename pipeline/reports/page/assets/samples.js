// Numbers of a figure: unpacked when it is touched, and thinned to what a screen can show.
(() => {
  "use strict";
  function inflate(id) {
    const bytes = Uint8Array.from(atob(document.getElementById(id).textContent), c => c.charCodeAt(0));
    return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip")));
  }

  const read = async id => JSON.parse(await inflate(id).text());

  // A trace's values as numbers: a packed array, or a list with holes; names by their place on the axis.
  function numbers(raw, names) {
    if (!Array.isArray(raw)) {
      const bytes = Uint8Array.from(atob(raw.bdata), c => c.charCodeAt(0)).buffer;
      return raw.dtype === "f4" ? Float64Array.from(new Float32Array(bytes)) : new Float64Array(bytes);
    }
    const known = new Map((names || []).map((name, i) => [name, i]));
    return Float64Array.from(raw, v => v === null ? NaN : typeof v === "string" ? known.get(window.herdbook.plain(v)) ?? NaN : v);
  }

  // The samples behind a thinned figure (zoom_samples.py): byte planes of time steps and levels.
  async function behind(id) {
    const whole = new Uint8Array(await inflate(id).arrayBuffer());
    const long = new DataView(whole.buffer).getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(whole.subarray(4, 4 + long)));
    let at = 4 + long;
    const planes = (n, width) => {
      const out = new Uint32Array(n);
      for (let b = 0; b < width; b++) for (let i = 0; i < n; i++) out[i] |= whole[at + b * n + i] << (8 * b);
      at += n * width;
      return out;
    };
    for (const [kind, k] of head.order) {
      if (kind === 0) {
        const base = head.times[k], steps = new Int32Array(planes(base.n, 4).buffer);
        base.x = new Float64Array(base.n);
        for (let i = 0, ticks = Math.round(base.start / head.tick); i < base.n; i++) base.x[i] = (ticks += steps[i]) * head.tick;
      } else {
        const trace = head.traces[k], levels = planes(head.times[trace.t].n, 2);
        trace.x = head.times[trace.t].x;
        trace.y = Float64Array.from(levels, v => v === 65535 ? NaN : trace.low + v * trace.step);
      }
    }
    return head.traces;
  }

  function first(x, value) { // the first index whose time is not before value
    let low = 0, high = x.length;
    while (low < high) { const mid = (low + high) >> 1; if (x[mid] < value) low = mid + 1; else high = mid; }
    return low;
  }

  const inOrder = x => { for (let i = 1; i < x.length; i++) if (!(x[i] >= x[i - 1])) return false; return true; };

  // Indices from a to b to draw: all of them, or of each slice the lowest, the highest and any hole.
  function chosen(y, a, b, points) {
    if (b - a <= points) return Array.from({ length: b - a }, (_, i) => a + i);
    const out = [], slices = Math.floor(points / 2);
    for (let s = 0; s < slices; s++) {
      const from = a + Math.floor((b - a) * s / slices), to = a + Math.floor((b - a) * (s + 1) / slices);
      let low = from, high = from, hole = -1;
      for (let i = from; i < to; i++) {
        if (Number.isNaN(y[i])) hole = i; else { if (!(y[i] >= y[low])) low = i; if (!(y[i] <= y[high])) high = i; }
      }
      out.push(...[...new Set(hole < 0 ? [low, high] : [low, high, hole])].sort((p, q) => p - q));
    }
    return out;
  }

  Object.assign(window.herdbook, { read, numbers, behind, first, chosen, inOrder });
})();

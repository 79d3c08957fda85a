/* Draws the charts of a page: every <figure data-chart="{…}">.

   The page loads vendor/uplot/uPlot.iife.min.js before this file, and the style
   sheet vendor/uplot/uPlot.min.css (page.Styles, page.Scripts). A figure is
   whole without this script: it has its <figcaption>, which says the chart in
   words, and its table. The script puts the drawing before them.

     <figure class="chart" data-src="/api/v1/…" data-chart="{…}">
       <figcaption>…</figcaption>
       <details><summary>…</summary><table>…</table></details>
     </figure>

   data-src is the address of the numbers, JSON with columns as arrays and null
   for what is unknown; figures with one address share one answer. "#id" takes
   them from <script type="application/json" id="id"> in the page. data-chart is
   JSON; words and units come from the page:

     x         column of instants (RFC 3339); with end they begin buckets, which
               are drawn at their middle                      ("start")
     end       where the instant is at which the last bucket ends; "" for none
     series    [{column, low, high, label, tone, dash, steps}]: a line, and
               where low and high name columns the band between them. tone is
               "a" (blue), "b" (orange), "c" (ochre) or "d" (grey)
     state     column of words, one a row; rows whose word is in hatched are
               hatched                       (hatched: ["estimated", "partial"])
     limits    [{value, label}]: level lines, in the unit of the columns
     spans     [{from, to, label}]: tinted stretches with a short mark on top
     instants  [{at, label}]: upright lines
     factor, offset, decimals, unit          what is shown of a number
     low, high the least that the scale spans, in the unit of the columns
     zone      time zone of the site;  time: the word for the column of instants
     zoom      address that a stretch picked with the pointer leads to, with
               {from} and {to}; without it the chart itself zooms, and a double
               click goes back

   A name of a column may be a path: "band.low". When it is drawn the figure has
   data-drawn="yes"; when it cannot be, "no". dryholdCharts.draw(figure) draws one
   that came later. */
"use strict";

const dryholdCharts = (() => {
  const height = 240;
  const answers = new Map(); // by address
  const lang = document.documentElement.lang || "en";

  function numbersOf(src) {
    if (src.startsWith("#")) return Promise.resolve(JSON.parse(document.querySelector(src).textContent));
    if (!answers.has(src)) {
      answers.set(src, fetch(src, { headers: { Accept: "application/json" } }).then((r) => {
        if (!r.ok) throw new Error(src + ": " + r.status);
        return r.json();
      }));
    }
    return answers.get(src);
  }

  const pick = (from, path) => path.split(".").reduce((v, key) => (v == null ? v : v[key]), from);
  const seconds = (instant) => Date.parse(instant) / 1000;

  // A colour of the style sheet as it is now, in light or dark.
  function colours(at) {
    const probe = at.appendChild(document.createElement("span"));
    const of = (name) => { probe.style.color = `var(--${name})`; return getComputedStyle(probe).color; };
    const out = { a: of("link"), b: of("over"), c: of("held"), d: of("soft"), ink: of("ink"), soft: of("soft"), line: of("line"), tint: of("over-tint"), band: of("band") };
    probe.remove();
    return out;
  }

  const faint = (colour, share) => colour.replace(/^rgba?\(([^,]+),([^,]+),([^,)]+).*$/, `rgba($1,$2,$3,${share})`);

  function hatching(context, colour) {
    const tile = document.createElement("canvas"), size = Math.round(8 * devicePixelRatio);
    tile.width = tile.height = size;
    const c = tile.getContext("2d");
    c.strokeStyle = colour;
    c.lineWidth = devicePixelRatio;
    c.beginPath();
    for (const d of [-size, 0, size]) { c.moveTo(d, size); c.lineTo(d + size, 0); }
    c.stroke();
    return context.createPattern(tile, "repeat");
  }

  // Where rows lie in time, and the column that x is drawn at.
  function axisOf(o, json) {
    const start = (pick(json, o.x || "start") || []).map(seconds);
    const end = o.end ? seconds(pick(json, o.end)) : NaN;
    const ends = start.map((s, i) => (i + 1 < start.length ? start[i + 1] : end));
    return { start, ends, at: o.end ? start.map((s, i) => (s + ends[i]) / 2) : start };
  }

  // Times of the axis, as fine as the marks are apart.
  function timesOf(zone) {
    const by = (options) => { const f = new Intl.DateTimeFormat(lang, { timeZone: zone, ...options }); return (t) => f.format(new Date(t * 1000)); };
    const year = by({ year: "numeric" }), month = by({ month: "short" }), day = by({ day: "numeric", month: "short" }), hour = by({ hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
    const whole = by({ dateStyle: "medium", timeStyle: "short" });
    const marks = (u, splits, axis, space, step) => splits.map((t, i) => {
      if (t == null) return "";
      const turns = (f) => i === 0 || f(t) !== f(splits[i - 1]);
      if (step >= 360 * 86400) return year(t);
      if (step >= 27 * 86400) return month(t) + (turns(year) ? "\n" + year(t) : "");
      if (step >= 86400) return day(t) + (turns(year) ? "\n" + year(t) : "");
      return hour(t) + (turns(day) ? "\n" + day(t) : "");
    });
    return { marks, whole };
  }

  function stretches(o, json, x) {
    const words = o.state ? pick(json, o.state) : null, hatched = o.hatched || ["estimated", "partial"], out = [];
    (words || []).forEach((w, i) => {
      if (!hatched.includes(w)) return;
      const last = out[out.length - 1], to = Number.isFinite(x.ends[i]) ? x.ends[i] : x.start[i];
      if (last && last.to === x.start[i]) last.to = to; else out.push({ from: x.start[i], to });
    });
    return out;
  }

  // What stands behind the lines: stretches estimated, excursions.
  function behind(o, estimated) {
    return (u) => {
      const c = u.ctx, k = colours(u.root), { left, top, width, height: tall } = u.bbox;
      const box = (from, to) => {
        const a = Math.max(left, u.valToPos(from, "x", true)), b = Math.min(left + width, u.valToPos(to, "x", true));
        return b > left && a < left + width ? [a, Math.max(b - a, devicePixelRatio)] : null;
      };
      c.save();
      for (const s of o.spans || []) {
        const at = box(seconds(s.from), seconds(s.to));
        if (!at) continue;
        c.fillStyle = k.tint;
        c.fillRect(at[0], top, at[1], tall);
        c.fillStyle = k.b;
        c.fillRect(at[0], top, at[1], 4 * devicePixelRatio);
        if (s.label) {
          c.font = `${11 * devicePixelRatio}px system-ui, sans-serif`;
          c.textAlign = "left";
          c.textBaseline = "top";
          c.fillText(s.label, at[0] + 2 * devicePixelRatio, top + 6 * devicePixelRatio);
        }
      }
      c.fillStyle = hatching(c, faint(k.soft, 0.5));
      for (const s of estimated) {
        const at = box(s.from, s.to);
        if (at) c.fillRect(at[0], top, at[1], tall);
      }
      c.restore();
    };
  }

  // What stands before them: limits and instants, each with its words.
  function before(o) {
    return (u) => {
      const c = u.ctx, k = colours(u.root), { left, top, width, height: tall } = u.bbox, px = devicePixelRatio;
      c.save();
      c.font = `${11 * px}px system-ui, sans-serif`;
      c.lineWidth = 1.5 * px;
      c.setLineDash([6 * px, 4 * px]);
      c.strokeStyle = c.fillStyle = k.b;
      c.textAlign = "right";
      for (const l of o.limits || []) {
        const y = u.valToPos(shown(o, l.value), "y", true);
        if (y < top || y > top + tall) continue;
        c.beginPath(); c.moveTo(left, y); c.lineTo(left + width, y); c.stroke();
        c.textBaseline = y - top > 16 * px ? "bottom" : "top";
        c.fillText(l.label || "", left + width - 2 * px, y);
      }
      c.strokeStyle = c.fillStyle = k.soft;
      for (const i of o.instants || []) {
        const x = u.valToPos(seconds(i.at), "x", true);
        if (!(x >= left && x <= left + width)) continue;
        c.beginPath(); c.moveTo(x, top); c.lineTo(x, top + tall); c.stroke();
        c.textAlign = x - left > width / 2 ? "right" : "left";
        c.textBaseline = "top";
        c.fillText(" " + (i.label || "") + " ", x, top);
      }
      c.restore();
    };
  }

  const shown = (o, v) => (v == null ? null : v * (o.factor ?? 1) + (o.offset ?? 0));

  function seriesOf(o, json, k, text) {
    const data = [], series = [], bands = [];
    const column = (name) => (pick(json, name) || []).map((v) => shown(o, v));
    for (const s of o.series) {
      const tone = s.tone || "a";
      if (s.low && s.high) {
        for (const name of [s.high, s.low]) {
          data.push(column(name));
          series.push({ label: "", stroke: () => faint(k()[tone], 0.35), width: 0.5, points: { show: false }, class: "hidden" });
        }
        bands.push({ series: [series.length - 1, series.length], fill: () => faint(k()[tone], 0.18) });
      }
      data.push(column(s.column));
      series.push({
        label: s.label, stroke: () => k()[tone], width: 1.75, dash: s.dash ? [5, 4] : undefined, points: { size: 4 },
        paths: s.steps ? uPlot.paths.stepped({ align: 1 }) : undefined, value: (u, v) => (v == null ? "–" : text(v)),
      });
    }
    return { data, series, bands };
  }

  // The scale spans the numbers, the limits near them and what the page asks for.
  function scaleOf(o) {
    return (u, least, most) => {
      let values = [least, most, shown(o, o.low), shown(o, o.high), ...(o.limits || []).map((l) => shown(o, l.value))].filter((v) => v != null && Number.isFinite(v));
      if (!values.length) values = [0, 1];
      const low = Math.min(...values), high = Math.max(...values), room = (high - low || Math.abs(high) || 1) * 0.06;
      return [low === shown(o, o.low) ? low : low - room, high === shown(o, o.high) ? high : high + room];
    };
  }

  function zooming(o) {
    return (u) => {
      if (!o.zoom || u.select.width < 5) return;
      const at = (px) => encodeURIComponent(new Date(u.posToVal(px, "x") * 1000).toISOString().replace(/\.\d+Z$/, "Z"));
      location.assign(o.zoom.replace("{from}", at(u.select.left)).replace("{to}", at(u.select.left + u.select.width)));
    };
  }

  function place(figure) {
    let at = figure.querySelector(".plot");
    if (!at) {
      at = document.createElement("div");
      at.className = "plot";
      figure.prepend(at);
    }
    const caption = figure.querySelector("figcaption");
    if (caption) {
      caption.id ||= "caption-" + (document.querySelectorAll("figcaption[id]").length + 1);
      at.setAttribute("role", "img");
      at.setAttribute("aria-labelledby", caption.id);
    }
    return at;
  }

  async function draw(figure) {
    try {
      const o = JSON.parse(figure.dataset.chart), json = await numbersOf(figure.dataset.src);
      const at = place(figure), x = axisOf(o, json), times = timesOf(o.zone || "UTC");
      let k = colours(figure);
      const number = new Intl.NumberFormat(lang, { minimumFractionDigits: o.decimals ?? 1, maximumFractionDigits: o.decimals ?? 1 });
      const plain = new Intl.NumberFormat(lang, { maximumFractionDigits: 3 });
      const drawn = seriesOf(o, json, () => k, (v) => number.format(v) + (o.unit || ""));
      const axis = { stroke: () => k.soft, grid: { stroke: () => k.line, width: 1 }, ticks: { stroke: () => k.line, width: 1 }, font: "12px system-ui, sans-serif" };
      const end = x.ends[x.ends.length - 1];
      const chart = new uPlot({
        width: Math.max(200, at.clientWidth), height,
        tzDate: (t) => uPlot.tzDate(new Date(t * 1000), o.zone || "UTC"),
        scales: { x: { range: (u, a, b) => (o.zoom && x.start.length ? [x.start[0], Number.isFinite(end) ? end : b] : [a, b]) }, y: { range: scaleOf(o) } },
        axes: [{ ...axis, values: times.marks, space: 64 }, { ...axis, size: 64, values: (u, splits) => splits.map((v) => plain.format(v) + (o.unit || "")) }],
        series: [{ label: o.time || "", value: (u, t) => (t == null ? "–" : times.whole(t)) }, ...drawn.series],
        bands: drawn.bands,
        cursor: { drag: { x: true, y: false, setScale: !o.zoom }, points: { size: 7 } },
        hooks: { drawClear: [behind(o, stretches(o, json, x))], draw: [before(o)], setSelect: [zooming(o)] },
      }, [x.at, ...drawn.data], at);
      new ResizeObserver(() => chart.setSize({ width: Math.max(200, at.clientWidth), height })).observe(figure);
      matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { k = colours(figure); chart.redraw(false); });
      figure.dataset.drawn = "yes";
    } catch (why) {
      figure.dataset.drawn = "no";
      console.warn("no chart:", why);
    }
  }

  document.querySelectorAll("figure[data-chart]").forEach(draw);
  return { draw };
})();

"use strict";
// Keeps the page up to date from the server's events. Every text is placed as text; nothing is ever parsed as markup.
(() => {
  const $ = (selector, root = document) => root.querySelector(selector);
  const make = (tag, properties = {}, ...children) => {
    const node = Object.assign(document.createElement(tag), properties);
    node.append(...children);
    return node;
  };
  const put = (node, text) => { if (node && node.textContent !== text) node.textContent = text; };
  const bdi = (text) => make("bdi", {}, text);
  const sign = (text) => { const node = make("span", {}, text); node.setAttribute("aria-hidden", "true"); return node; };
  const chip = (said) => make("span", { className: "chip is-" + said.code }, sign(said.sign), " " + said.word);
  const duration = (seconds) => {
    const s = Math.round(seconds), d = Math.floor(s / 86400), h = Math.floor(s % 86400 / 3600), m = Math.floor(s % 3600 / 60);
    if (d) return d + " d" + (h ? " " + h + " h" : "") + (m ? " " + m + " min" : "");
    if (h) return h + " h" + (m ? " " + m + " min" : "") + (s % 60 ? " " + s % 60 + " s" : "");
    if (m) return m + " min" + (s % 60 ? " " + s % 60 + " s" : "");
    return Number(seconds.toFixed(1)) + " s";
  };

  // -- the line to the server ------------------------------------------------------------------------------

  const connection = $("#connection");
  let heard = 0, failed = false, age = null, over = false, source = null, last = "";

  const said = () => {
    const lost = !over && (!source || source.readyState !== EventSource.OPEN || performance.now() - heard > 20000);
    connection.classList.toggle("lost", lost && (heard > 0 || failed));
    if (over) return "Run finished";
    if (document.hidden) return "Paused";
    if (lost) return heard || failed ? "Connection lost, trying again" : "Connecting";
    if (age === null) return "Live";
    const quiet = Math.round(age + (performance.now() - heard) / 1000);
    return quiet < 5 ? "Live" : "Live, nothing new for " + duration(quiet);
  };

  const listen = (path, handlers) => {
    const open = () => {
      if (source) source.close();
      const url = new URL(path, location.href);
      if (last) url.searchParams.set("after", last);
      const mine = source = new EventSource(url);
      const hear = (event) => {
        heard = performance.now();
        failed = false;
        if (event.lastEventId) last = event.lastEventId;
        const data = JSON.parse(event.data);
        if (data.age !== undefined) age = data.age;
        return data;
      };
      mine.addEventListener("alive", hear);
      for (const [name, take] of Object.entries(handlers)) mine.addEventListener(name, (event) => take(hear(event)));
      // The browser itself tries again when the line breaks; not so when it was refused.
      mine.addEventListener("error", () => { failed = true; if (mine === source && mine.readyState === EventSource.CLOSED) setTimeout(() => { if (mine === source) open(); }, 3000); });
    };
    const close = () => { if (source) source.close(); source = null; };
    // A page that nobody sees follows nothing: a browser has few lines to one server.
    document.addEventListener("visibilitychange", () => { if (over) return; if (document.hidden) close(); else open(); put(connection, said()); });
    setInterval(() => put(connection, said()), 1000);
    open();
    return () => { over = true; close(); put(connection, said()); };
  };

  // -- the list of runs ------------------------------------------------------------------------------------

  const list = $("#running");
  if (list) {
    const cards = $("#cards");
    const card = (run, unit) => {
      const node = make("a", { className: "card", href: "/runs/" + encodeURIComponent(run.key) });
      if (!unit) { node.append(make("b", { className: "card-unit" }, bdi(run.name)), " ", make("span", {}, run.notice)); return node; }
      const far = make("progress", { max: Math.max(unit.planned, 1), value: unit.done });
      far.setAttribute("aria-label", "Checks done");
      const left = unit.soak && unit.soak.left ? "; soak: " + unit.soak.left + " left" : "";
      node.append(
        make("b", { className: "card-unit" }, bdi(unit.part + " " + unit.serial)), make("span", {}, chip(unit.disposition)),
        make("span", { className: "card-where" }, run.stand + ", slot " + unit.slot + (run.simulated ? ", simulated" : "")),
        make("span", { className: "card-now" }, unit.now), far,
        make("span", { className: "card-far" }, unit.done + " of " + unit.planned + " checks" + left));
      return node;
    };
    let shown = "", focus = "";
    listen(list.dataset.stream, {
      runs: (reported) => {
        // A run that came to its end moves into the table below, which only the server writes.
        if (reported.ended !== Number(list.dataset.ended) && !location.search) { location.reload(); return; }
        const text = JSON.stringify(reported.running);
        if (text === shown) return;
        shown = text;
        focus = document.activeElement && document.activeElement.className === "card" ? document.activeElement.getAttribute("href") : "";
        cards.replaceChildren(...reported.running.map((run) => make("li", {}, ...(run.units.length ? run.units.map((unit) => card(run, unit)) : [card(run, null)]))));
        if (focus) for (const node of cards.querySelectorAll("a")) if (node.getAttribute("href") === focus) { node.focus(); break; }
        $("#none").hidden = reported.running.length > 0;
      },
    });
  }

  // -- the board of a stand --------------------------------------------------------------------------------

  const bench = $("#bench");
  if (bench) {
    const place = (one) => {
      const node = make("li", { className: "place is-" + one.disposition.code },
        make("span", { className: "place-slot" }, one.slot), " ",
        make("span", { className: "place-word" }, sign(one.disposition.sign), " " + one.disposition.word));
      if (!one.unit) return node;
      const far = make("progress", { max: Math.max(one.planned, 1), value: one.done });
      far.setAttribute("aria-label", "Checks done in slot " + one.slot);
      const values = [["Checks", one.done + " of " + one.planned], ["Left", one.left], ["Mode", one.mode], ["Current", one.current], ["Case", one.temperature]];
      node.append(
        make("a", { className: "place-unit", href: "/runs/" + encodeURIComponent(one.run) }, bdi(one.unit)),
        make("span", { className: "place-stage" }, one.stage), far,
        make("dl", { className: "place-values" }, ...values.filter((v) => v[1]).map((v) => make("div", {}, make("dt", {}, v[0]), make("dd", {}, v[1])))));
      return node;
    };
    listen(bench.dataset.stream, {
      bench: (reported) => {
        if (!reported) return;
        const active = document.activeElement, focus = active && active.className === "place-unit" ? active.getAttribute("href") : "";
        $("#places").replaceChildren(...reported.slots.map(place));
        const free = reported.free.length ? ["free: " + reported.free.join(", ")] : [];
        $("#next").hidden = !reported.next.length && !free.length;
        $("#to-do").replaceChildren(...[...reported.next, ...free].map((words) => make("li", {}, words)));
        if (focus) for (const node of bench.querySelectorAll("a")) if (node.getAttribute("href") === focus) { node.focus(); break; }
      },
    });
  }

  // -- the plots of a soak ---------------------------------------------------------------------------------

  const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 345600, 604800];
  // The colours are those of the style sheet, light or dark; the plots are drawn with those that were found.
  const [INK, SOFT, RULE, TICK, CURVE, HATCH, BAD] = ["ink", "soft", "faint", "rule", "curve", "grey", "bad"].map((name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim());
  const BAND = CURVE + "47";
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => location.reload());

  class Plots {
    constructor(section) {
      this.section = section;
      this.drawn = $("[data-part=drawn]", section);
      this.strip = $("[data-part=strip]", section);
      this.home = $("[data-part=plots]", section);
      this.cursor = $("[data-field=cursor]", section);
      this.view = "whole";
      this.charts = [];
      this.data = null;
      for (const button of section.querySelectorAll("button[data-view]")) button.addEventListener("click", () => {
        this.view = button.dataset.view;
        for (const other of section.querySelectorAll("button[data-view]")) other.setAttribute("aria-pressed", String(other === button));
        this.draw();
      });
      new ResizeObserver(() => { for (const chart of this.charts) { const width = this.home.clientWidth; if (width && chart.width !== width) chart.setSize({ width, height: this.height() }); } }).observe(this.home);
    }

    height() { return this.home.clientWidth < 560 ? 170 : 200; }

    take(news) {
      if (news.fresh) this.data = { series: news.series, buckets: news.series.map(() => [[], [], []]), recent: [[], ...news.series.map(() => [])], modes: [] };
      const data = this.data;
      if (!data) return;
      Object.assign(data, { width: news.width, end: news.end, gaps: news.gaps, events: news.events });
      news.buckets.forEach((parts, n) => parts.forEach((part, k) => { const to = data.buckets[n][k]; to.length = Math.min(to.length, news.first); to.push(...part); }));
      news.recent.forEach((part, n) => { const to = data.recent[n]; to.push(...part); if (to.length > news.keep) to.splice(0, to.length - news.keep); });
      data.modes = data.modes.filter((stretch) => stretch[0] < news.modes_from).concat(news.modes);
      if (news.fresh) this.build();
      this.draw();
    }

    range() {
      const { end, recent } = this.data;
      return this.view === "recent" && recent[0].length > 1 ? [recent[0][0], Math.max(end, recent[0][0] + 1)] : [0, Math.max(end, 1)];
    }

    numbers(n) {
      const { buckets, recent, width, gaps } = this.data;
      if (this.view === "recent") {
        // A line may not be drawn across a gap: an empty place is put there.
        const x = [], y = [];
        recent[0].forEach((time, k) => {
          const before = recent[0][k - 1];
          if (k && gaps.some((gap) => gap[0] >= before - 1e-6 && gap[1] <= time + 1e-6)) { x.push((before + time) / 2); y.push(null); }
          x.push(time); y.push(recent[n + 1][k]);
        });
        return [x, y, y, y];
      }
      const [low, mean, high] = buckets[n];
      return [mean.map((_, k) => (k + .5) * width), low, high, mean];
    }

    build() {
      for (const chart of this.charts) chart.destroy();
      this.home.replaceChildren();
      this.captions = [];
      this.drawn.hidden = false;
      const sync = uPlot.sync("soak-" + this.section.closest("[data-unit]").dataset.unit);
      this.charts = this.data.series.map((series, n) => {
        const now = make("span", { className: "now" });
        const plot = make("div", { className: "soak-plot" });
        plot.setAttribute("role", "img");
        const unit = series.unit ? " (" + series.unit + ")" : "";
        this.home.append(make("figure", {}, make("figcaption", {}, series.name + unit + " ", now), plot));
        this.captions.push([now, plot]);
        const phone = this.home.clientWidth < 560;
        const axis = { stroke: SOFT, grid: { stroke: RULE, width: 1 }, ticks: { stroke: TICK, width: 1, size: 4 }, font: "12px system-ui, sans-serif" };
        return new uPlot({
          width: this.home.clientWidth || 600, height: this.height(),
          padding: [14, phone ? 14 : 24, 0, 0],
          legend: { show: false },
          cursor: { y: false, sync: { key: sync.key, scales: ["x", null] }, drag: { x: false, y: false }, points: { show: false } },
          scales: { x: { time: false, range: () => this.range() }, y: { range: (_, low, high) => this.reach(series, low, high) } },
          axes: [
            { ...axis, incrs: STEPS, space: phone ? 70 : 90, size: 30, values: (_, marks) => marks.map((mark) => mark === 0 ? "0" : duration(mark)) },
            { ...axis, size: (_, marks) => Math.max(phone ? 44 : 64, 7.4 * Math.max(0, ...(marks || []).map((mark) => mark.length)) + 12), space: 34, values: (_, marks, __, ___, step) => marks.map((mark) => mark.toFixed(Math.min(Math.max(Math.ceil(-Math.log10(step) - 1e-9), 0), 8))) },
          ],
          series: [
            {},
            { stroke: "transparent", points: { show: false } },
            { stroke: "transparent", points: { show: false } },
            { stroke: CURVE, width: 1.5, points: { show: false } },
          ],
          bands: [{ series: [2, 1], fill: BAND }],
          hooks: { drawClear: [(chart) => this.under(chart)], draw: [(chart) => this.over(chart, series)], setCursor: [(chart) => this.read(chart, n)] },
        }, this.numbers(n), plot);
      });
    }

    reach(series, low, high) {
      if (low === null || high === null) { low = series.low ?? 0; high = series.high ?? low + 1; }
      const span = Math.max(high - low, Math.abs(high) * .02, 1e-9), middle = (low + high) / 2;
      // What only scatters is not spread over the whole height: two parts in a hundred at the least.
      [low, high] = [Math.min(low, middle - span / 2), Math.max(high, middle + span / 2)];
      for (const limit of [series.low, series.high]) if (limit !== null && low - span < limit && limit < high + span) { low = Math.min(low, limit); high = Math.max(high, limit); }
      const air = .08 * (high - low) || Math.abs(high) * .05 || 1;
      return [low - air, high + air];
    }

    // Gaps are hatched, and lie under the curves.
    under(chart) {
      const { ctx, bbox } = chart, ratio = devicePixelRatio;
      ctx.save();
      ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
      ctx.strokeStyle = HATCH; ctx.lineWidth = ratio;
      for (const [start, end] of this.data.gaps) {
        const a = chart.valToPos(start, "x", true), b = Math.max(chart.valToPos(end, "x", true), a + 2 * ratio);
        if (b < bbox.left || a > bbox.left + bbox.width) continue;
        ctx.save(); ctx.beginPath(); ctx.rect(a, bbox.top, b - a, bbox.height); ctx.clip(); ctx.beginPath();
        for (let x = Math.max(a, bbox.left) - bbox.height; x < Math.min(b, bbox.left + bbox.width); x += 6 * ratio) { ctx.moveTo(x, bbox.top + bbox.height); ctx.lineTo(x + bbox.height, bbox.top); }
        ctx.stroke(); ctx.restore();
      }
      ctx.restore();
    }

    // Limits are dashed and named, events dotted and lettered: nothing hangs on colour.
    over(chart, series) {
      const { ctx, bbox } = chart, ratio = devicePixelRatio;
      ctx.save();
      ctx.font = 11 * ratio + "px system-ui, sans-serif"; ctx.textBaseline = "alphabetic"; ctx.lineWidth = 1.5 * ratio;
      ctx.strokeStyle = BAD; ctx.fillStyle = BAD; ctx.textAlign = "right"; ctx.setLineDash([8 * ratio, 4 * ratio]);
      for (const [limit, words] of [[series.low, "lower limit"], [series.high, "upper limit"]]) {
        if (limit === null || limit < chart.scales.y.min || limit > chart.scales.y.max) continue;
        const y = chart.valToPos(limit, "y", true);
        ctx.beginPath(); ctx.moveTo(bbox.left, y); ctx.lineTo(bbox.left + bbox.width, y); ctx.stroke();
        ctx.fillText(words, bbox.left + bbox.width - 4 * ratio, words[0] === "u" ? y - 4 * ratio : y + 12 * ratio);
      }
      ctx.strokeStyle = INK; ctx.fillStyle = INK; ctx.lineWidth = ratio; ctx.textAlign = "center"; ctx.setLineDash([2 * ratio, 3 * ratio]);
      let right = -Infinity;
      this.data.events.forEach(([since, , letter]) => {
        const x = chart.valToPos(since, "x", true);
        if (since === null || x < bbox.left - 1 || x > bbox.left + bbox.width + 1) return;
        ctx.beginPath(); ctx.moveTo(x, bbox.top); ctx.lineTo(x, bbox.top + bbox.height); ctx.stroke();
        if (x - right > 12 * ratio) { ctx.fillText(letter, x, bbox.top - 3 * ratio); right = x; }
      });
      ctx.restore();
    }

    read(chart, n) {
      const k = chart.cursor.idx;
      if (k === null || k === undefined) { put(this.cursor, ""); return; }
      // Read from the first chart under the pointer; the others follow it.
      const words = this.charts.map((one, m) => {
        const [x, low, high, mean] = one.data, s = this.data.series[m];
        if (mean[k] === null || mean[k] === undefined) return s.name + ": no sample";
        const band = low[k] === high[k] ? "" : " (" + low[k] + " to " + high[k] + ")";
        return Number(mean[k].toPrecision(5)) + " " + s.unit + band;
      });
      put(this.cursor, "At " + duration(chart.data[0][k]) + ": " + words.join("; "));
    }

    draw() {
      if (!this.data || !this.charts.length) return;
      const [from, to] = this.range();
      this.charts.forEach((chart, n) => {
        const numbers = this.numbers(n), mean = numbers[3].filter((value) => value !== null);
        chart.setData(numbers);
        const s = this.data.series[n], [now, plot] = this.captions[n];
        const recent = this.data.recent[n + 1], value = recent[recent.length - 1];
        put(now, value === null || value === undefined ? "no answer" : "last " + Number(value.toPrecision(5)) + " " + s.unit);
        if (mean.length) plot.setAttribute("aria-label", s.name + " from " + duration(from) + " to " + duration(to) + ": between " + Math.min(...numbers[1].filter((v) => v !== null)) + " and " + Math.max(...numbers[2].filter((v) => v !== null)) + " " + s.unit);
      });
      this.modes(from, to);
    }

    modes(from, to) {
      const name = (mode) => ["live", "held", "stopped"].includes(mode) ? mode : mode === "no answer" ? "none" : "other";
      const wide = this.strip.clientWidth || 600, total = new Map(), kept = [];
      for (const [start, end, mode] of this.data.modes) {
        if (end < from || start > to) continue;
        const a = Math.max(start, from), b = Math.min(end, to);
        total.set(mode, (total.get(mode) || 0) + b - a);
        kept.push([a, b, mode]);
      }
      this.strip.replaceChildren(...kept.map(([a, b, mode]) => {
        const node = make("div", { className: "stretch mode-" + name(mode), title: mode + ", " + duration(a) + " to " + duration(b) });
        const width = (b - a) / (to - from);
        node.style.left = 100 * (a - from) / (to - from) + "%";
        node.style.width = "max(" + 100 * width + "%, 2px)";
        if (width * wide > 9 * mode.length + 14) node.append(make("span", {}, mode));
        return node;
      }));
      this.strip.setAttribute("aria-label", "Modes from " + duration(from) + " to " + duration(to) + ": " + [...total].map(([mode, seconds]) => mode + " for " + duration(seconds)).join(", "));
    }
  }

  // -- the page of a run -----------------------------------------------------------------------------------

  const run = $("#run");
  if (run) {
    const plots = new Map();
    const odd = (tile, text, isOdd) => { tile.classList.toggle("odd", isOdd); put($(".tile-reported", tile), text); };
    const tile = (section, key, name, value) => {
      let node = $("[data-tile='" + key + "']", section);
      if (!node) {
        node = make("div", { className: "tile" }, make("dt", {}, name), make("dd"), make("dd", { className: "tile-reported" }));
        node.dataset.tile = key;
        $("[data-tile=events]", section).before(node);
      }
      put($("dt", node), name); put($("dd", node), value);
      return node;
    };
    const rows = (body, reported) => {
      const lines = reported.map((row) => {
        const head = make("th", {}, row.name); head.scope = "row";
        const first = make("td", { className: "number" }, row.last);
        if (row.reported === "outside") first.append(" ", make("b", {}, "outside"));
        return make("tr", {}, head, first, make("td", { className: "number" }, row.least), make("td", { className: "number" }, row.greatest), make("td", {}, row.limits));
      });
      body.replaceChildren(...lines);
    };
    const soak = (section, reported) => {
      section.hidden = !reported;
      if (!reported) return;
      put($("[data-field=soak-reported]", section), reported.reported);
      tile(section, "left", reported.over ? "Lasted" : "Time left", reported.over ? reported.lasted : reported.left || "not known");
      odd($("[data-tile=left]", section), reported.over ? (reported.planned ? "of " + reported.planned + " planned" : "") : reported.ends ? "until " + reported.ends : "", false);
      const far = $("[data-part=soak-far]", section);
      far.hidden = reported.share === null;
      if (reported.share !== null) far.value = reported.share;
      tile(section, "mode", "Mode", reported.mode || "no sample yet");
      odd($("[data-tile=mode]", section), reported.mode_right ? "" : "not as planned", !reported.mode_right);
      reported.tiles.forEach((one, n) => odd(tile(section, "value-" + n, one.name, one.value), one.reported + (one.reported ? ": " : "") + one.limits, one.reported === "outside"));
      tile(section, "events", "Events", String(reported.events));
      rows($("[data-part=rows]", section), reported.rows);
    };
    const seen = new Map();
    const changed = (key, value) => { const text = JSON.stringify(value); if (seen.get(key) === text) return false; seen.set(key, text); return true; };
    const unit = (section, reported) => {
      const n = section.dataset.unit;
      if (changed("disposition" + n, reported.disposition)) { $("[data-part=disposition]", section).replaceChildren(chip(reported.disposition)); put($("[data-field=verdict]", section), reported.disposition.reported); }
      $(".report", section).hidden = !reported.report;
      Object.assign($("progress", section), { max: Math.max(reported.planned, 1), value: reported.done });
      put($("[data-field=far]", section), reported.done + " of " + reported.planned + " checks done");
      put($("[data-field=now]", section), reported.now);
      if (changed("soak" + n, reported.soak)) soak($("[data-part=soak]", section), reported.soak);
      $("[data-part=findings-section]", section).hidden = !reported.findings.length;
      if (changed("findings" + n, [reported.findings, reported.more_findings])) $("[data-part=findings]", section).replaceChildren(
        ...reported.findings.map((one) => make("li", {}, make("b", {}, bdi(one.place)), ": " + one.what)),
        ...(reported.more_findings ? [make("li", {}, "and " + reported.more_findings + " more")] : []));
      if (changed("stages" + n, reported.stages)) $("[data-part=stages]", section).replaceChildren(...reported.stages.map((stage) => {
        const mark = sign(stage.sign); mark.className = "sign";
        return make("li", { className: "is-" + stage.code }, mark, " ", make("b", {}, stage.name), " ", make("span", { className: "tally" }, stage.reported));
      }));
    };
    const sections = [...document.querySelectorAll("[data-unit]")];
    // With the plots the long table is one press away; without script it lies open.
    for (const values of document.querySelectorAll("details.values")) values.open = false;
    let began = "", ending = false;
    const stop = listen(run.dataset.stream, {
      news: ({ reported, plots: drawn }) => {
        if (reported.units && reported.units.length !== sections.length) { location.reload(); return; }
        if (reported.state) {
          began = reported.state.code;
          const state = $("#state");
          state.className = "state is-" + reported.state.code;
          for (const name of ["sign", "code", "reported"]) put($("[data-field=" + name + "]", state), reported.state[name]);
        }
        if (reported.notice !== undefined) { $("#notice").hidden = !reported.notice; put($("#notice"), reported.notice); }
        if (reported.unsafe !== undefined) { $("#unsafe").hidden = !reported.unsafe; put($("#unsafe span"), reported.unsafe); }
        if (reported.units) reported.units.forEach((one, n) => unit(sections[n], one));
        if (reported.events) {
          $("#nothing").hidden = reported.events.length > 0;
          $("#events").replaceChildren(...reported.events.map((event) => {
            const when = make("span", { className: "when", title: event.date }, event.when);
            const mark = event.letter ? [make("span", { className: "letter" }, event.letter), " "] : [];
            return make("li", {}, when, " ", ...mark, make("b", {}, event.what), ...(event.slot ? [" ", make("span", { className: "slot" }, "slot " + event.slot)] : []), " ", make("span", { className: "event-text" }, event.text));
          }));
        }
        for (const section of sections) {
          const news = drawn[section.dataset.slot];
          if (!news) continue;
          if (!plots.has(section)) plots.set(section, new Plots($("[data-part=soak]", section)));
          plots.get(section).take(news);
        }
        // The reports are written after the run's end: they are waited for, but not for ever.
        if (began && began !== "running" && began !== "unfinished") {
          if (sections.every((section) => !$(".report", section).hidden)) stop();
          else if (!ending) { ending = true; setTimeout(stop, 30000); }
        }
      },
    });
  }
})();

/* Draws the charts of a page, keeps its theme, and filters and sorts its tables. Works from disk; asks nobody for anything. */
(() => {
  "use strict";
  const root = document.documentElement;
  const read = (id) => {
    const block = document.getElementById(id);
    return block ? JSON.parse(block.textContent) : null;
  };
  const remember = (key, value) => { try { localStorage.setItem(key, value); } catch { /* a page on disk may have no storage */ } };
  const recall = (key) => { try { return localStorage.getItem(key); } catch { return null; } };

  // Theme

  const preferred = matchMedia("(prefers-color-scheme: dark)");
  const theme = () => root.dataset.theme || (preferred.matches ? "dark" : "light");
  const stored = recall("greystep-theme");
  if (stored === "light" || stored === "dark") root.dataset.theme = stored;
  const button = document.getElementById("theme");
  const nameButton = () => { button.textContent = theme() === "dark" ? "Light" : "Dark"; };
  const themes = read("themes");
  button.hidden = false;
  nameButton();
  button.addEventListener("click", () => {
    root.dataset.theme = theme() === "dark" ? "light" : "dark";
    remember("greystep-theme", root.dataset.theme);
    nameButton();
    drawAll();
  });
  preferred.addEventListener("change", () => { nameButton(); drawAll(); });

  // Charts

  const views = new Map();
  const draw = async (place, datasets, printed) => {
    const id = place.dataset.chart;
    const spec = structuredClone(read(`chart-${id}`));
    if (datasets) spec.datasets = { ...(spec.datasets || {}), ...datasets };
    // A layer without rows has no extent, of which the library complains.
    const empty = (layer) => layer.data && spec.datasets?.[layer.data.name]?.length === 0;
    if (spec.layer) spec.layer = spec.layer.filter((layer) => !empty(layer));
    views.get(id)?.finalize();
    const config = structuredClone(themes[printed ? "light" : theme()]);
    if (place.clientWidth < 520) {
      config.legend = { ...config.legend, columns: 1, labelLimit: place.clientWidth - 50 };
      config.axisY = { ...config.axisY, labelLimit: place.clientWidth / 3 };
      if (spec.layer) spec.layer = spec.layer.filter((layer) => layer.name !== "where-there-is-room");
    }
    const result = await window.vegaEmbed(place, spec, {
      config,
      renderer: "svg",
      actions: { export: true, source: false, compiled: false, editor: false },
      downloadFileName: `greystep-${id}`,
    });
    views.set(id, result);
    place.dataset.drawn = "true";
  };
  const places = () => [...document.querySelectorAll("[data-chart]")];
  const idle = window.requestIdleCallback ? (f) => requestIdleCallback(f, { timeout: 500 }) : (f) => setTimeout(f, 30);
  const drawAll = async (printed = false) => {
    for (const place of places()) {
      if (!printed) await new Promise((resolve) => idle(resolve));
      const viewer = viewers.get(place.dataset.chart);
      await draw(place, viewer ? viewer() : null, printed);
    }
    root.dataset.charts = "drawn";
  };

  // Trace viewer

  const viewers = new Map();
  const shown = (rows, range) => rows.filter((r) => r.t >= range[0] && r.t <= range[1]);
  const traceRows = (t, low, high, range) =>
    shown(t.t.map((x, i) => ({ t: x, mean: t.mean[i], low: low[i], high: high[i] })), range);
  const traceSets = (t, whole, withRaw) => {
    const range = whole ? [-Infinity, Infinity] : t.window;
    const marks = t.marks.flatMap((m) => [
      { method: m.method, which: "start", t: m.start, light: m.startLight, text: m.text },
      { method: m.method, which: "end", t: m.end, light: m.endLight, text: m.text },
    ]);
    const first = t.marks.find((m) => m.method === t.house) || t.marks[0];
    const references = first ? [
      { light: first.startLight, label: `${first.method}, start` },
      { light: first.endLight, label: `${first.method}, end` },
    ] : [];
    return {
      mean: traceRows(t, t.low, t.high, range),
      raw: withRaw && t.rawLow ? traceRows(t, t.rawLow, t.rawHigh, range) : [],
      references: references.filter((r) => r.light !== null),
      marks: marks.filter((m) => m.light !== null),
    };
  };
  const cells = (row, texts) => texts.forEach((text, i) => {
    const cell = document.createElement(i ? "td" : "th");
    if (i) cell.className = "number"; else cell.scope = "row";
    cell.textContent = text;
    row.append(cell);
  });
  for (const form of document.querySelectorAll("[data-viewer]")) {
    const id = form.dataset.viewer;
    const groups = read(`data-${id}`).groups;
    const place = document.querySelector(`[data-chart="${id}"]`);
    const body = document.querySelector(`[data-marks="${id}"] tbody`);
    const { group, transition, whole, raw } = form.elements;
    const chosen = () => groups[group.value].transitions[transition.value] || groups[group.value].transitions[0];
    const list = () => {
      const t = chosen();
      body.replaceChildren(...t.marks.map((m) => {
        const row = document.createElement("tr");
        cells(row, [m.method, m.start.toFixed(3), m.end.toFixed(3), m.text]);
        return row;
      }));
      raw.disabled = !t.rawLow;
      return traceSets(t, whole.checked, raw.checked);
    };
    viewers.set(id, list);
    group.addEventListener("change", () => {
      const kept = transition.value;
      transition.replaceChildren(...groups[group.value].transitions.map((t, i) => new Option(`${t.from} → ${t.to}`, i)));
      transition.value = groups[group.value].transitions[kept] ? kept : 0;
    });
    form.addEventListener("change", () => draw(place, list()));
    form.addEventListener("submit", (event) => event.preventDefault());
  }

  // Curves of one transition or held level out of many

  const curveRows = (subject) => subject.series.flatMap((s) => s.x.map((x, i) => ({ x, y: s.y[i], series: s.name, i })));
  for (const form of document.querySelectorAll("[data-chooser]")) {
    const { subject, back, on } = form.elements;
    const charts = form.dataset.chooser.split(" ").map((id) => {
      const known = new Map(read(`data-${id}`).subjects.map((s) => [s.name, s]));
      const place = document.querySelector(`[data-chart="${id}"]`);
      const caption = place.parentElement.querySelector("figcaption");
      const chosen = () => {
        const found = known.get(subject.value);
        caption.textContent = found ? found.caption : `Nothing to draw for ${subject.value}.`;
        return { rows: found ? curveRows(found) : [] };
      };
      viewers.set(id, chosen);
      return () => draw(place, chosen());
    });
    const show = async () => { for (const chart of charts) await chart(); };
    const step = (by) => {
      subject.selectedIndex = (subject.selectedIndex + by + subject.length) % subject.length;
      show();
    };
    subject.addEventListener("change", show);
    back.addEventListener("click", () => step(-1));
    on.addEventListener("click", () => step(1));
    form.addEventListener("submit", (event) => event.preventDefault());
  }

  // Tables

  for (const form of document.querySelectorAll("[data-filter]")) {
    const rows = [...document.getElementById(form.dataset.filter).tBodies[0].rows];
    const words = rows.map((row) => row.textContent.toLowerCase());
    const { text, method, count } = form.elements;
    const unit = count.textContent.replace(/^\d+\s*/, "");
    const apply = () => {
      const wanted = text.value.toLowerCase().split(/\s+/).filter(Boolean);
      let kept = 0;
      rows.forEach((row, i) => {
        const fits = wanted.every((w) => words[i].includes(w)) && (!method?.value || row.cells[4].textContent === method.value);
        row.hidden = !fits;
        kept += fits;
      });
      count.textContent = `${kept} ${unit}`;
    };
    form.addEventListener("input", apply);
    form.addEventListener("submit", (event) => event.preventDefault());
  }
  const key = (cell) => {
    const given = cell.dataset.sort;
    if (given !== undefined) return given === "" ? Infinity : Number(given);
    const number = cell.textContent.trim().match(/^[≤≥]?\s*(-?\d+(\.\d+)?)/);
    return number ? Number(number[1]) : cell.textContent.trim().toLowerCase();
  };
  const order = (a, b) => (typeof a === typeof b ? (a < b ? -1 : a > b ? 1 : 0) : typeof a === "number" ? -1 : 1);
  for (const table of document.querySelectorAll("[data-sortable]")) {
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      const push = document.createElement("button");
      push.type = "button";
      push.append(...head.childNodes);
      head.append(push);
      push.addEventListener("click", () => {
        const up = head.getAttribute("aria-sort") !== "ascending";
        for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        const rows = [...table.tBodies[0].rows].map((row) => [key(row.cells[column]), row]);
        rows.sort((a, b) => (up ? order(a[0], b[0]) : order(b[0], a[0])));
        table.tBodies[0].append(...rows.map((r) => r[1]));
      });
    });
  }

  if (window.vegaEmbed && places().length) {
    drawAll();
    addEventListener("beforeprint", () => drawAll(true));
    addEventListener("afterprint", () => drawAll());
  } else {
    root.dataset.charts = "drawn";
  }
})();

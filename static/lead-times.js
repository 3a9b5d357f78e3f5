// Draws each chart of the lead-time page from the table under it. Without this the tables stand alone.
(() => {
  "use strict";
  const paper = {ink: "#23201B", quiet: "#5A544B", hair: "#DDD5C7", accent: "#1F5F5B", late: "#9B2C1F", soon: "#805300", ground: "#FFFFFF"};
  let printing = false, c = paper;
  const charts = [];
  const rows = (id) => [...document.querySelectorAll(`#${id} tbody tr`)];
  const number = (text) => (text === "" || text === undefined || text === null || text === "·") ? null : Number(text);
  const named = (row) => row.querySelector("th").firstChild.textContent.trim();

  function colours() {
    const style = getComputedStyle(document.documentElement);
    const of = (name) => style.getPropertyValue(`--${name}`).trim();
    return {ink: of("ink"), quiet: of("quiet"), hair: of("hair"), accent: of("accent"), late: of("late"), soon: of("soon"), ground: of("paper")};
  }

  function hatch(colour) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 6;
    const ink = tile.getContext("2d");
    ink.strokeStyle = colour; ink.lineWidth = 1.4;
    ink.beginPath(); ink.moveTo(-1, 7); ink.lineTo(7, -1); ink.moveTo(-1, 1); ink.lineTo(1, -1); ink.moveTo(5, 7); ink.lineTo(7, 5); ink.stroke();
    return ink.createPattern(tile, "repeat");
  }

  const axis = (title, more = {}) => ({
    title: {display: true, text: title, color: c.quiet, font: {size: 12}},
    grid: {color: c.hair, drawTicks: false, lineWidth: 1}, border: {display: false},
    ticks: {color: c.quiet, padding: 8, maxRotation: 0, autoSkipPadding: 14}, ...more,
  });
  const bare = (title, more = {}) => axis(title, {...more, grid: {display: false}});

  // Dots of one month side by side, the same way each time.
  const beside = (place, n, of) => place + (of > 1 ? ((n * 0.618034) % 1 - 0.5) * Math.min(0.62, 0.16 + of / 90) : 0);

  function finishing() {
    const all = rows("t-finishing"), labels = all.map(named);
    const dots = all.flatMap((row, place) => (row.dataset.dots ? row.dataset.dots.split(" ") : []).map((d, n, list) => ({x: beside(place, n, list.length), y: Number(d), so: row.dataset.unfinished})));
    const line = (key) => all.map((row, place) => ({x: place, y: number(row.querySelector(`[data-${key}]`).dataset[key]), so: row.dataset.unfinished}));
    const ring = (d) => d.raw && d.raw.so ? c.ground : c.accent;
    const shared = {type: "line", borderColor: c.accent, pointBorderColor: c.accent, pointBackgroundColor: ring, spanGaps: true};
    return {
      type: "scatter",
      data: {datasets: [
        {...shared, label: "median", data: line("median"), borderWidth: 2.5, pointRadius: 4, segment: {borderDash: (s) => s.p1.raw.so ? [2, 4] : undefined}},
        {...shared, label: "85 % point", data: line("slow"), borderWidth: 1.5, borderDash: [6, 4], pointRadius: 3, pointStyle: "rectRot"},
        {label: "a piece", data: dots, pointRadius: dots.length > 1500 ? 1.2 : 2.2, pointHoverRadius: 3, borderWidth: 0, backgroundColor: c.quiet + "8C"},
      ]},
      options: {scales: {
        x: bare("", {type: "linear", min: -0.6, max: labels.length - 0.4, afterBuildTicks: (a) => { a.ticks = labels.map((_, value) => ({value})); }, ticks: {color: c.quiet, maxRotation: 0, autoSkip: true, autoSkipPadding: 10, callback: (v) => labels[v] ? labels[v].replace(/ 20(\d\d)$/, " ’$1") : ""}}),
        y: axis("days from order to leaving", {beginAtZero: true}),
      }, plugins: {tooltip: {callbacks: {title: (i) => labels[Math.round(i[0].parsed.x)] || "", label: (i) => `${i.dataset.label}: ${i.parsed.y.toFixed(0)} days`}}}},
    };
  }

  function starting() {
    const all = rows("t-starting"), newest = all.length - 1;
    const datasets = all.map((row, place) => {
      const points = row.dataset.curve.split(" ").map((p) => { const [x, y] = p.split(","); return {x: Number(x), y: 100 * Number(y)}; });
      const age = newest - place, open = Number(row.dataset.open) > 0;
      const colour = age === 0 ? c.accent : age === 1 ? c.ink : age === 2 ? c.quiet : c.quiet + "55";
      return {
        type: "line", stepped: "before", label: row.dataset.name, data: points, borderColor: colour, borderWidth: age < 2 ? 2.2 : age === 2 ? 1.8 : 1,
        borderDash: age === 1 ? [7, 3] : age === 2 ? [2, 3] : [], pointStyle: "circle", pointBackgroundColor: c.ground, pointBorderColor: colour, pointBorderWidth: 1.8,
        pointRadius: points.map((_, n) => n === points.length - 1 && open ? 4.5 : 0), pointHoverRadius: 4, order: age,
      };
    });
    const older = all.length > 3;
    return {
      type: "line", data: {datasets},
      options: {scales: {
        x: axis("days since the order", {type: "linear", beginAtZero: true}),
        y: axis("in 100 have left", {min: 0, max: 100}),
      }, plugins: {
        legend: {labels: {filter: (item) => item.datasetIndex > newest - 3 || (older && item.datasetIndex === 0), generateLabels: (chart) => Chart.defaults.plugins.legend.labels.generateLabels(chart).map((l) => ({...l, pointStyle: "line", lineWidth: 2, lineDash: chart.data.datasets[l.datasetIndex].borderDash, text: older && l.datasetIndex === 0 ? "earlier months" : l.text})), sort: (a, b) => b.datasetIndex - a.datasetIndex}},
        tooltip: {mode: "nearest", intersect: false, callbacks: {title: (i) => i[0].dataset.label, label: (i) => `day ${i.parsed.x.toFixed(0)}: ${i.parsed.y.toFixed(0)} in 100 have left`}},
      }},
    };
  }

  function where() {
    const heads = [...document.querySelectorAll("#t-where thead th")].map((th, place) => ({place, key: th.dataset.class, name: th.textContent})).filter((h) => h.key);
    const all = rows("t-where");
    const fill = {hands: c.accent, waiting: c.quiet + "B0", queue: c.ink + "66", machine: c.ink, rest: c.soon, rest_of_order: hatch(c.quiet), closed: c.hair, hold: c.late, carrier: hatch(c.ink), customer: hatch(c.accent)};
    return {
      type: "bar",
      data: {labels: all.map(named), datasets: heads.map((h) => ({
        label: h.name, data: all.map((row) => (number(row.children[h.place].textContent) || 0) * (h.key === "customer" ? -1 : 1)),
        backgroundColor: fill[h.key], borderColor: h.key === "customer" ? c.accent : c.ground, borderWidth: 1, stack: "all", barPercentage: 0.82, categoryPercentage: 0.9,
      }))},
      options: {indexAxis: "y", scales: {
        x: axis("← the customer’s days      ours →", {stacked: true, ticks: {color: c.quiet, padding: 8, callback: (v) => Math.abs(v)}}),
        y: bare("", {stacked: true, ticks: {color: c.ink, autoSkip: false}}),
      }, plugins: {tooltip: {callbacks: {label: (i) => `${i.dataset.label}: ${Math.abs(i.parsed.x).toFixed(1)} days`}}}},
    };
  }

  function withinLimits(id, label) {
    const table = document.getElementById(id), all = rows(id), labels = all.map(named);
    const level = (name, key, dash) => ({label: name, data: labels.map(() => Number(table.dataset[key])), borderColor: c.quiet, borderWidth: 1.2, borderDash: dash, pointRadius: 0, pointHitRadius: 0, pointStyle: "line"});
    const out = all.map((row) => row.lastElementChild.textContent === "outside");
    return {
      type: "line",
      data: {labels, datasets: [
        {label, data: all.map((row) => Number(row.querySelector("[data-v]").dataset.v)), borderColor: c.accent, borderWidth: 1.6, pointRadius: out.map((o) => o ? 7 : 4), pointStyle: out.map((o) => o ? "triangle" : "circle"), pointBackgroundColor: out.map((o) => o ? c.late : c.accent), pointBorderColor: c.ground},
        level("centre", "centre", []), level("limits", "upper", [5, 4]), level("lower limit", "lower", [5, 4]),
      ]},
      options: {scales: {
        x: bare(""), y: axis("days, on a logarithmic scale", {type: "logarithmic", min: Math.floor(Number(table.dataset.lower) * 0.85), max: Math.ceil(Number(table.dataset.upper) * 1.12), ticks: {color: c.quiet, padding: 8, maxTicksLimit: 7, callback: (v) => v}}),
      }, plugins: {legend: {labels: {filter: (item) => item.datasetIndex < 3}}}},
    };
  }

  function track() {
    const all = rows("t-track").filter((row) => row.dataset.on);
    const day = (row) => Date.parse(row.dataset.on) / 86400000;
    const point = (row) => ({x: day(row), y: Number(row.dataset.over), of: named(row)});
    const done = all.filter((r) => !r.dataset.open), open = all.filter((r) => r.dataset.open);
    const kind = (row) => Number(row.dataset.over) > 0;
    const said = (value) => new Date(value * 86400000).toLocaleDateString("en-GB", {day: "numeric", month: "short", timeZone: "UTC"});
    const first = all.map((row) => ({x: day(row), y: -Number(row.dataset.wide)})).sort((a, b) => a.x - b.x);
    return {
      type: "scatter",
      data: {datasets: [
        {label: "kept to", data: done.filter((r) => !kind(r)).map(point), pointRadius: 3.5, backgroundColor: c.accent + "B0", borderWidth: 0},
        {label: "later", data: done.filter(kind).map(point), pointRadius: 5, pointStyle: "triangle", backgroundColor: c.late, borderWidth: 0},
        {label: "later, not ready yet", data: open.map(point), pointRadius: 5, pointStyle: "triangle", backgroundColor: c.ground, borderColor: c.late, borderWidth: 1.6},
        {type: "line", label: "first day told", data: first, borderColor: c.quiet, borderWidth: 1, borderDash: [2, 3], pointRadius: 0, pointHitRadius: 0, pointStyle: "line", stepped: "middle"},
      ].filter((set) => set.data.length)},
      options: {scales: {
        x: bare("told on", {type: "linear", ticks: {color: c.quiet, maxRotation: 0, maxTicksLimit: 8, padding: 8, callback: said}}),
        y: axis("days after the last day told", {grid: {color: (t) => t.tick.value === 0 ? c.ink : c.hair, lineWidth: (t) => t.tick.value === 0 ? 1.6 : 1, drawTicks: false}}),
      }, plugins: {tooltip: {callbacks: {title: (i) => `order ${i[0].raw.of}`, label: (i) => i.parsed.y > 0 ? `${i.parsed.y} days after the last day told` : i.parsed.y ? `${-i.parsed.y} days before the last day told` : "on the last day told"}}}},
    };
  }

  const draws = {
    finishing, starting, where, track,
    steady: () => withinLimits("t-steady", "median of the month"),
    drift: () => withinLimits("t-drift", "average of the weeks"),
  };

  function draw() {
    c = printing ? paper : colours();
    Chart.defaults.animation = false;
    Chart.defaults.maintainAspectRatio = false;
    Chart.defaults.color = c.quiet;
    Chart.defaults.font.family = getComputedStyle(document.body).fontFamily;
    Object.assign(Chart.defaults.plugins.legend, {align: "start"});
    Object.assign(Chart.defaults.plugins.legend.labels, {usePointStyle: true, boxHeight: 7, boxWidth: 18, color: c.quiet, padding: 14});
    Object.assign(Chart.defaults.plugins.tooltip, {backgroundColor: c.ink, titleColor: c.ground, bodyColor: c.ground, displayColors: false, cornerRadius: 4});
    while (charts.length) charts.pop().destroy();
    for (const canvas of document.querySelectorAll("canvas[data-draws]")) {
      canvas.parentElement.hidden = false;
      charts.push(new Chart(canvas, draws[canvas.dataset.draws]()));
    }
  }

  draw();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  const print = (on) => () => { printing = on; draw(); };
  addEventListener("beforeprint", print(true));
  addEventListener("afterprint", print(false));
})();

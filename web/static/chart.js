/* Makes the server's picture of the pressure one to point at, and to look closer into by drawing
   across it. The picture stays for print and for when this fails. */
(() => {
  "use strict";
  const $ = (id) => document.getElementById(id);
  const demo = document.querySelector(".demo") !== null;
  const box = $("ribbon");
  if (!box || typeof uPlot === "undefined") return;
  const readout = $("readout");
  let data = null;
  let plot = null;
  const tone = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const font = () => `${0.78 * parseFloat(getComputedStyle(document.documentElement).fontSize) * devicePixelRatio}px ${getComputedStyle(document.body).fontFamily}`;

  const beneath = (u) => {
    const c = u.ctx, { left, top, width, height } = u.bbox, dpr = devicePixelRatio;
    const x = (t) => Math.min(Math.max(u.valToPos(t, "x", true), left), left + width);
    const y = (v) => Math.min(Math.max(u.valToPos(v, "y", true), top), top + height);
    c.save();
    c.fillStyle = tone("band");
    if (data.band) c.fillRect(left, y(data.band[1]), width, y(data.band[0]) - y(data.band[1]));
    data.gaps.forEach(([a, b]) => {
      c.save();
      c.beginPath();
      c.rect(x(a), top, x(b) - x(a), height);
      c.clip();
      c.strokeStyle = tone("hatch");
      c.lineWidth = dpr;
      c.beginPath();
      for (let d = -height; d < width + height; d += 7 * dpr) { c.moveTo(left + d, top + height); c.lineTo(left + d + height, top); }
      c.stroke();
      c.restore();
    });
    c.restore();
  };
  const above = (u) => {
    const c = u.ctx, { left, top, width, height } = u.bbox, dpr = devicePixelRatio;
    const x = (t) => Math.min(Math.max(u.valToPos(t, "x", true), left), left + width);
    c.save();
    c.font = font();
    c.textAlign = "left"; c.textBaseline = "alphabetic";
    data.levels.forEach(([value, label, key, over]) => {
      const y = u.valToPos(value, "y", true);
      if (y < top || y > top + height) return;
      c.strokeStyle = tone(key === "limit" ? "limit" : "soft");
      c.lineWidth = dpr;
      c.setLineDash(key === "limit" ? [6 * dpr, 4 * dpr] : [dpr, 3 * dpr]);
      c.beginPath(); c.moveTo(left, y); c.lineTo(left + width, y); c.stroke();
      c.setLineDash([]);
      c.lineWidth = 3 * dpr; c.lineJoin = "round";
      c.strokeStyle = tone("paper"); c.fillStyle = tone("soft");
      const at = y + (over ? -4 : 13) * dpr;
      c.strokeText(label, left + 4 * dpr, at); c.fillText(label, left + 4 * dpr, at);
    });
    c.fillStyle = tone("watch");
    data.alerts.forEach(([a, b]) => c.fillRect(x(a), top, Math.max(x(b) - x(a), 3 * dpr), 4 * dpr));
    c.fillStyle = tone("run");
    data.tests.forEach(([a, b]) => c.fillRect(x(a), top + 6 * dpr, Math.max(x(b) - x(a), 3 * dpr), 4 * dpr));
    const lane = top + height + 7 * dpr;
    data.runs.forEach(([a, b]) => c.fillRect(x(a), lane, Math.max(x(b) - x(a), 1.5 * dpr), 12 * dpr));
    c.restore();
  };

  const clock = (t) => new Intl.DateTimeFormat("en-GB", { timeZone: data.zone, weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" }).format(t * 1000);
  const cursor = (u) => {
    const i = u.cursor.idx;
    if (i == null || data.mean[i] == null) { readout.textContent = ""; return; }
    const range = data.high[i] - data.low[i] > 0.05 ? ` (${data.low[i].toFixed(1)} to ${data.high[i].toFixed(1)})` : "";
    readout.textContent = `${clock(data.t[i])}: ${data.mean[i].toFixed(1)} ${data.unit}${range}`;
  };

  const closer = (u) => {
    if (!box.dataset.closer || u.select.width < 8) return;
    const iso = (place) => new Date(u.posToVal(place, "x") * 1000).toISOString().replace(/\.\d+Z/, "Z");
    const to = new URL(box.dataset.closer, location.href);
    to.searchParams.set("from", iso(u.select.left));
    to.searchParams.set("to", iso(u.select.left + u.select.width));
    location.assign(to);
  };

  const columns = () => [data.t, data.low, data.high, data.mean];
  const size = () => ({ width: box.clientWidth, height: box.clientHeight });
  const draw = () => {
    if (plot) plot.destroy();
    plot = new uPlot({
      ...size(),
      padding: [0, 0, 0, 0],
      legend: { show: false },
      cursor: { y: false, points: { show: false }, drag: { x: Boolean(box.dataset.closer), y: false, setScale: false } },
      scales: { x: { time: true, range: () => [data.since, data.until] }, y: { range: () => data.scale } },
      axes: [
        { stroke: () => tone("soft"), font: `${font().replace(/^[\d.]+px/, "12.5px")}`, size: 44, gap: 24, splits: () => data.ticks.map((tick) => tick[0]), values: () => data.ticks.map((tick) => tick[1]), grid: { stroke: () => tone("faint"), width: 1 }, ticks: { show: false } },
        { show: false },
      ],
      series: [
        {},
        { stroke: "transparent", width: 0, points: { show: false } },
        { stroke: "transparent", width: 0, points: { show: false } },
        { stroke: () => tone("line"), width: 1.6, points: { show: false }, spanGaps: false },
      ],
      bands: [{ series: [2, 1], fill: () => tone("envelope") }],
      hooks: { drawClear: [beneath], draw: [above], setCursor: [cursor], setSelect: [closer] },
    }, columns(), box);
    plot.root.setAttribute("aria-hidden", "true");
    box.classList.add("drawn");
  };

  const load = async () => {
    try {
      const answer = await fetch(box.dataset.source, { cache: "no-store" });
      if (!answer.ok) return;
      data = await answer.json();
      data.t = data.t.map((s) => s + data.since);
      if (plot) plot.setData(columns()); else draw();
    } catch {
      // The server's picture, or the last one drawn, stays; the age above tells how old it is.
    }
  };
  load();
  if (!box.dataset.still) setInterval(() => { if (!document.hidden) load(); }, demo ? 5000 : 30000);
  new ResizeObserver(() => { if (plot) plot.setSize(size()); }).observe(box);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (plot) draw(); });
})();

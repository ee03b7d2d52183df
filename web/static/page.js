/* Keeps an open page true: asks for what is new, and says so by itself when nothing new comes.
   Everything it shows is made on the server; without it the page reloads itself. */
(() => {
  "use strict";
  const $ = (id) => document.getElementById(id);
  const demo = document.querySelector(".demo") !== null;
  const READ_MS = demo ? 1000 : 5000;

  // --- what is new, and how old it is

  const age = $("age");
  const limit = Number(age.dataset.limit);
  // The machine that shows this may have any time of day: only its stopwatch is used.
  let seen = age.dataset.age === undefined ? null : { age: Number(age.dataset.age), at: performance.now() };
  let lost = document.body.classList.contains("blind");

  const lasting = (s) => {
    if (s < 59.5) return `${Math.round(s)}\u00a0s`;
    const minutes = Math.round(s / 60);
    if (minutes < 60) return `${minutes}\u00a0min`;
    if (minutes < 2880) return `${Math.floor(minutes / 60)}\u00a0h ${minutes % 60}\u00a0min`;
    return `${Math.floor(minutes / 1440)}\u00a0d`;
  };
  const old = () => (seen === null ? Infinity : seen.age + (performance.now() - seen.at) / 1000);

  const showAge = () => {
    const text = $("age-text");
    const now = old() === Infinity ? "no data" : `${lasting(old())} old`;
    if (text.textContent !== now) text.textContent = now;
  };

  const put = (id, html) => {
    const here = $(id);
    if (!here || here.dataset.html === html) return;
    const open = [...here.querySelectorAll("details[open]")].map((d) => d.id);
    const focused = here.contains(document.activeElement) ? document.activeElement : null;
    const place = focused && [...here.querySelectorAll("a, summary, [tabindex]")].indexOf(focused);
    here.innerHTML = html;
    here.dataset.html = html;
    open.forEach((name) => { if (name && $(name)) $(name).open = true; });
    if (focused) [...here.querySelectorAll("a, summary, [tabindex]")][place]?.focus({ preventScroll: true });
  };

  const colour = (key) => {
    document.body.className = key;
  };

  const showLost = () => {
    if (lost) return;
    lost = true;
    const words = $("lost");
    if (!words) return;
    const box = $("state");
    box.className = "state blind";
    box.replaceChildren(words.content.cloneNode(true));
    delete box.dataset.html;
    $("figures").classList.add("old");
    document.querySelectorAll(".figure").forEach((f) => f.classList.add("past"));
    colour("blind");
    document.title = document.title.replace(/^[^·]*·/, `${box.querySelector("h1").firstChild.textContent} ·`);
  };

  const ask = async () => {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), 5000);
    try {
      const began = performance.now();
      const answer = await fetch("/now", { signal: stop.signal, cache: "no-store" });
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("live");
      if (!fresh) return;
      seen = fresh.dataset.age === undefined ? null : { age: Number(fresh.dataset.age), at: began };
      lost = fresh.dataset.fresh !== "1";
      fresh.querySelectorAll("[data-live]").forEach((part) => {
        const here = $(part.id);
        if (here && here.className !== part.className) here.className = part.className;
        put(part.id, part.innerHTML);
      });
      colour(fresh.dataset.state);
      document.title = document.title.replace(/^[^·]*·/, `${fresh.dataset.word} ·`);
      const at = $("age-at");
      if (at && fresh.dataset.at) at.textContent = ` at ${fresh.dataset.at}`;
    } catch {
      // No answer: the age goes on growing, and past the limit the page says so.
    } finally {
      clearTimeout(timer);
    }
  };

  if ($("live")) {
    setInterval(() => { showAge(); if (old() > limit) showLost(); }, 1000);
    const again = async () => {
      if (!document.hidden) await ask();
      setTimeout(again, READ_MS);
    };
    setTimeout(again, READ_MS);
    const look = () => { if (old() > limit) showLost(); showAge(); ask(); };
    document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
    addEventListener("pageshow", (event) => { if (event.persisted) look(); });
  } else {
    setInterval(showAge, 1000);
  }

  // --- the ribbon: the server's picture stays for print and for when this fails

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
    c.fillRect(left, y(data.band[1]), width, y(data.band[0]) - y(data.band[1]));
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

  const columns = () => [data.t, data.low, data.high, data.mean];
  const size = () => ({ width: box.clientWidth, height: box.clientHeight });
  const draw = () => {
    if (plot) plot.destroy();
    plot = new uPlot({
      ...size(),
      padding: [0, 0, 0, 0],
      legend: { show: false },
      cursor: { y: false, points: { show: false }, drag: { x: false, y: false } },
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
      hooks: { drawClear: [beneath], draw: [above], setCursor: [cursor] },
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
  // The words, the table and the picture for print, as the server makes them.
  const renew = async () => {
    try {
      const answer = await fetch(location.href, { cache: "no-store" });
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      fresh.querySelectorAll("[data-slow]").forEach((part) => put(part.id, part.innerHTML));
      const picture = fresh.querySelector("#ribbon > svg");
      if (picture) box.querySelector(":scope > svg").replaceWith(picture);
    } catch {
      // As above.
    }
  };
  load();
  setInterval(() => { if (!document.hidden) { load(); renew(); } }, demo ? 5000 : 30000);
  new ResizeObserver(() => { if (plot) plot.setSize(size()); }).observe(box);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (plot) draw(); });
})();

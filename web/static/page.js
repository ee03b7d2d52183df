/* Keeps an open page true: asks for what is new, and says so by itself when nothing new comes.
   Everything it shows is made on the server; without it the page reloads itself. */
(() => {
  "use strict";
  const $ = (id) => document.getElementById(id);
  const demo = document.querySelector(".demo") !== null;
  const READ_MS = demo ? 1000 : 5000;

  // --- what is new, and how old it is

  const age = $("age");
  if (!age) return;
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

  /* What the server says now: its age, state and the parts that changed, by name as [class, HTML]. */
  const take = (said, at) => {
    seen = said.age === null ? null : { age: said.age, at };
    lost = !said.fresh;
    Object.entries(said.parts).forEach(([id, [name, html]]) => {
      const here = $(id);
      if (here && here.className !== name) here.className = name;
      put(id, html);
    });
    colour(said.state);
    document.title = document.title.replace(/^[^·]*·/, `${said.word} ·`);
    const stamp = $("age-at");
    if (stamp && said.at) stamp.textContent = ` at ${said.at}`;
    showAge();
  };

  const ask = async () => {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), 5000);
    try {
      const began = performance.now();
      const answer = await fetch("/now", { signal: stop.signal, cache: "no-store" });
      if (answer.redirected) { location.reload(); return; }
      if (answer.ok) take(await answer.json(), began);
    } catch {
      // No answer: the age goes on growing, and past the limit the page says so.
    } finally {
      clearTimeout(timer);
    }
  };

  /* Told by the server as it happens; where it has no room for one more, or nothing comes through,
     asked for instead, and every few minutes tried again. */
  let source = null, heard = 0, retry = 0;
  const STREAM_MS = 300000, SILENT_MS = 20000;
  const leave = (wait) => {
    if (source) source.close();
    source = null;
    retry = performance.now() + wait;
  };
  const follow = () => {
    source = new EventSource("/stream");
    heard = performance.now();
    source.onmessage = (event) => { heard = performance.now(); take(JSON.parse(event.data), heard); };
    source.onerror = () => { if (source && source.readyState === EventSource.CLOSED) leave(STREAM_MS); };
  };

  if ($("live")) {
    setInterval(() => { showAge(); if (old() > limit) showLost(); }, 1000);
    const again = async () => {
      const now = performance.now();
      if (source && now - heard > SILENT_MS) leave(STREAM_MS);
      if (document.hidden) leave(0); // who does not look holds no place
      else if (!source && now >= retry) follow();
      else if (!source) await ask();
      setTimeout(again, READ_MS);
    };
    setTimeout(again, READ_MS);
    const look = () => { if (old() > limit) showLost(); showAge(); ask(); };
    document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
    addEventListener("pageshow", (event) => { if (event.persisted) look(); });
    addEventListener("pagehide", () => leave(0));
  } else {
    setInterval(showAge, 1000);
  }

  // --- the ribbon: drawn by the server; what makes it one to point at loads when it is pointed at

  const box = $("ribbon");
  if (!box) return;
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
  setInterval(() => { if (!document.hidden) renew(); }, demo ? 5000 : 30000);
  const fetchScript = (name) => new Promise((done, failed) => {
    const script = document.createElement("script");
    script.src = name;
    script.onload = done;
    script.onerror = failed;
    document.head.append(script);
  });
  const wake = async () => {
    ["pointerenter", "touchstart"].forEach((what) => box.removeEventListener(what, wake));
    try {
      for (const name of box.dataset.scripts.split(" ")) await fetchScript(name);
    } catch {
      // The server's picture stays.
    }
  };
  if (box.dataset.scripts) ["pointerenter", "touchstart"].forEach((what) => box.addEventListener(what, wake, { passive: true }));
})();

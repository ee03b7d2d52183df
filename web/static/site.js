/* Renews what stands in #course every two seconds: a hold test's course, or the wiring. When a test
   begins or ends, the room around it is renewed too. Without it the page reloads itself. */
(() => {
  "use strict";
  const get = async (live) => {
    const where = new URL(location.href);
    if (live) where.searchParams.set("live", "1");
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), 5000);
    try {
      const answer = await fetch(where, { cache: "no-store", signal: stop.signal, redirect: "error" });
      if (answer.status === 401) return null;
      if (!answer.ok) throw new Error("no answer");
      return new DOMParser().parseFromString(await answer.text(), "text/html");
    } finally {
      clearTimeout(timer);
    }
  };
  const again = async () => {
    try {
      if (!document.hidden) {
        const fresh = await get(true);
        if (fresh === null) { location.reload(); return; }
        const here = document.getElementById("course");
        const there = fresh.getElementById("course");
        if (here.dataset.phase !== there.dataset.phase) {
          const room = (await get(false))?.getElementById("room");
          if (room) document.getElementById("room").replaceChildren(...room.childNodes);
        } else if (here.innerHTML !== there.innerHTML) {
          here.innerHTML = there.innerHTML;
        }
      }
    } catch {
      // No answer: the age above goes on growing.
    }
    setTimeout(again, 2000);
  };
  setTimeout(again, 2000);
})();

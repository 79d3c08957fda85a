// Keeps a page fresh. Each news that the daemon tells by server-sent events has
// the page fetched again; what differs in its parts marked data-live is changed
// in place, so that focus, open details, scrolling and typed text stay.
"use strict";
(() => {
  const bar = document.getElementById("live");
  if (!bar) return;
  const state = bar.querySelector(".livestate"), news = bar.querySelector(".livenews"), button = bar.querySelector("button");
  const words = bar.dataset, root = document.documentElement;
  const gap = 2000, idle = 30000, patience = 4000; // ms
  let source, paused = false, lost = false, tries = 0, asked = 0, timer, retry, doubt;

  // say shows whether the page is fresh.
  const say = () => {
    const at = document.querySelector(".asof time");
    const text = (paused ? words.paused : lost ? words.lost : words.fresh).replace("%s", at ? at.textContent : "?");
    bar.hidden = false;
    bar.classList.toggle("lost", lost && !paused);
    if (state.textContent !== text) state.textContent = text;
    button.textContent = paused ? words.resume : words.pause;
  };

  // morph makes one element like another, child by child. Children with a
  // data-key are the same as those that had it before.
  const morph = (from, to) => {
    for (const a of [...from.attributes]) if (!to.hasAttribute(a.name) && a.name !== "open") from.removeAttribute(a.name);
    for (const a of to.attributes) if (from.getAttribute(a.name) !== a.value && a.name !== "open") from.setAttribute(a.name, a.value);
    if (from.matches("[data-own], input, select, textarea")) return; // a script or a person has it in hand
    const key = (n) => n.nodeType === Node.ELEMENT_NODE && n.dataset && n.dataset.key;
    const keyed = new Map(), rest = [], now = [];
    for (const n of from.childNodes) if (key(n)) keyed.set(key(n), n); else rest.push(n);
    for (const next of to.childNodes) {
      const i = key(next) ? -1 : rest.findIndex((n) => n.nodeName === next.nodeName);
      const old = key(next) ? keyed.get(key(next)) : i < 0 ? undefined : rest.splice(0, i + 1)[i];
      if (!old) now.push(document.importNode(next, true));
      else {
        if (old.nodeType === Node.ELEMENT_NODE) morph(old, next);
        else if (old.data !== next.data) old.data = next.data;
        now.push(old);
      }
    }
    for (const n of [...from.childNodes]) if (!now.includes(n)) n.remove();
    let here = from.firstChild;
    for (const n of now) if (n === here) here = here.nextSibling; else from.insertBefore(n, here);
  };

  const alarms = () => new Map([...document.querySelectorAll(".alarm[data-key]")].map((a) => [a.dataset.key, a.getAttribute("aria-label")]));

  const show = (text) => {
    const doc = new DOMParser().parseFromString(text, "text/html");
    const sheet = (d) => (d.querySelector('link[rel="stylesheet"]') || root).getAttribute("href");
    if (sheet(doc) !== sheet(document)) { location.reload(); return; } // another version of dryhold
    const before = alarms(), focus = document.activeElement;
    for (const part of document.querySelectorAll("[data-live], .asof")) {
      const next = doc.querySelector(part.dataset.live ? `[data-live="${CSS.escape(part.dataset.live)}"]` : ".asof");
      if (next) morph(part, next);
    }
    if (focus !== document.activeElement && focus.isConnected) focus.focus({ preventScroll: true }); // it was moved
    const fresh = [...alarms()].filter(([key]) => !before.has(key)).map(([, name]) => name);
    if (fresh.length) news.textContent = fresh.map((name) => words.alarm.replace("%s", name)).join(". ");
    document.dispatchEvent(new CustomEvent("dryhold:fresh"));
  };

  const refresh = async () => {
    clearTimeout(timer);
    asked = Date.now();
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" }, cache: "no-cache" });
      if (answer.redirected) { location.reload(); return; } // to the login
      if (answer.ok && !paused) {
        show(await answer.text());
        root.removeAttribute("data-kept");
        lost = !source || source.readyState !== EventSource.OPEN;
      }
    } catch { lost = true; }
    say();
    plan(idle);
  };

  // plan has the page fetched after a time, unless that is planned sooner, or
  // nobody looks or wants it to.
  let due = 0;
  const plan = (wait) => {
    if (paused || document.hidden) return;
    const at = Math.max(Date.now() + wait, asked + gap);
    if (timer && due > Date.now() && due <= at) return;
    clearTimeout(timer);
    due = at;
    timer = setTimeout(refresh, at - Date.now());
  };

  const close = () => {
    for (const t of [timer, retry, doubt]) clearTimeout(t);
    if (source) source.close();
    source = timer = undefined;
    due = 0;
  };

  const open = () => {
    close();
    source = new EventSource("/api/v1/events?topics=state,alarm,health");
    source.onopen = () => { tries = 0; clearTimeout(doubt); if (lost) { lost = false; plan(0); } say(); };
    source.onerror = () => {
      clearTimeout(doubt);
      doubt = setTimeout(() => { lost = true; say(); }, tries ? 0 : patience);
      if (source.readyState !== EventSource.CLOSED) return; // it tries again by itself
      const wait = Math.min(60000, 3000 * 2 ** tries++) * (0.75 + Math.random() / 2);
      retry = setTimeout(open, wait);
      if (tries > 1) plan(0); // which finds out whether there is a login to pass
    };
    for (const topic of ["state", "alarm", "health"]) source.addEventListener(topic, () => plan(0));
  };

  const resume = () => { if (!paused && !document.hidden) open(); };
  button.addEventListener("click", () => {
    paused = !paused;
    if (paused) close(); else { resume(); plan(0); }
    say();
  });
  // A page out of sight holds no stream: browsers have few for each server.
  document.addEventListener("visibilitychange", () => { if (document.hidden) close(); else if (!paused) { open(); plan(0); } });
  addEventListener("pagehide", close);
  addEventListener("pageshow", (e) => { if (e.persisted) resume(); });
  asked = Date.now();
  if (root.hasAttribute("data-kept")) lost = true;
  say();
  resume();
  plan(idle);
})();

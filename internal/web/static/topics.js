// What arrives on the broker, asked for again every few seconds: the part of the
// page that lives is taken from the page as the server makes it. It holds still
// while somebody is within it, when asked to, and while nobody sees the page.
"use strict";
(() => {
  const live = () => document.getElementById("live");
  if (!live() || !live().dataset.looking) return;
  let still = false;
  const button = document.createElement("button");
  button.type = "button";
  const say = () => {
    button.textContent = still ? live().dataset.run : live().dataset.pause;
    button.setAttribute("aria-pressed", String(still));
  };
  button.addEventListener("click", () => { still = !still; say(); });
  const place = document.createElement("p");
  place.append(button);
  live().before(place);
  say();
  const look = async () => {
    const old = live();
    if (!still && !document.hidden && !old.contains(document.activeElement)) {
      try {
        const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
        const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("live");
        if (answer.ok && fresh && !still && !old.contains(document.activeElement)) {
          old.replaceWith(document.adoptNode(fresh));
        }
      } catch { /* the server is away: what is shown stays */ }
    }
    if (live().dataset.looking) setTimeout(look, 1000 * Number(live().dataset.every));
    else place.remove();
  };
  setTimeout(look, 1000 * Number(live().dataset.every));
})();

// Has the worker keep what is needed away from the daemon, and marks a page that
// it kept.
"use strict";
(() => {
  const root = document.documentElement, banner = document.getElementById("kept"), kept = root.dataset.kept;
  if (banner && kept) {
    let at = kept;
    const shape = { dateStyle: "medium", timeStyle: "short" };
    try {
      at = new Intl.DateTimeFormat(root.lang, { ...shape, timeZone: banner.dataset.zone }).format(new Date(kept));
    } catch { at = new Intl.DateTimeFormat(root.lang, shape).format(new Date(kept)); } // the browser knows no such zone
    banner.querySelector("span:last-child").textContent = banner.dataset.text.replace("%s", at);
    banner.hidden = false;
    new MutationObserver(() => { if (!root.dataset.kept) banner.hidden = true; }).observe(root, { attributeFilter: ["data-kept"] });
  }
  // Browsers have workers only over HTTPS and on this machine itself.
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/worker.js").catch(() => {});
})();

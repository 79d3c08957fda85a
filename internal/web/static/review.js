// Sliders and the answer to a what-if, the button that prints, and the progress
// of a replay. Each page is whole without it.
"use strict";

// slider lets a number be dragged. The number has the value; without one
// nothing is asked.
function slider(box) {
  const number = box.querySelector("input[name]"), range = box.querySelector("input[type=range]");
  const output = box.querySelector("output"), clear = box.querySelector("[data-clear]");
  const decimalMark = (1.5).toLocaleString(document.documentElement.lang).charAt(1);
  const show = () => {
    const v = parseFloat(number.value.replace(",", "."));
    const asked = !Number.isNaN(v);
    range.value = asked ? v : range.dataset.start;
    const words = asked ? box.dataset.words.replace("{}", String(v).replace(".", decimalMark)) : box.dataset.none;
    output.textContent = words;
    range.setAttribute("aria-valuetext", words);
    box.classList.toggle("asked", asked);
    clear.hidden = !asked;
  };
  range.addEventListener("input", () => {
    number.value = range.value;
    show();
  });
  number.addEventListener("input", show);
  clear.addEventListener("click", () => {
    number.value = "";
    show();
    number.dispatchEvent(new Event("change", { bubbles: true }));
    range.focus();
  });
  box.querySelector("[data-plain]").hidden = true;
  range.hidden = output.hidden = false;
  show();
}

// live has the answer of a form follow it: it asks when nothing was touched for
// a moment, and drops the question before.
function live(form) {
  const answer = document.getElementById(form.dataset.live);
  let timer, older;
  const ask = async () => {
    if (older) older.abort();
    const mine = older = new AbortController();
    const q = new URLSearchParams();
    for (const [name, value] of new FormData(form)) if (value) q.append(name, value);
    const url = form.action + "?" + q;
    answer.setAttribute("aria-busy", "true");
    const busy = setTimeout(() => say(answer.dataset.busy), 400);
    try {
      const res = await fetch(url, { signal: mine.signal, headers: { Accept: "text/html" } });
      const next = new DOMParser().parseFromString(await res.text(), "text/html").getElementById(answer.id);
      if (!next) throw new Error("no answer");
      answer.replaceChildren(...next.childNodes);
      history.replaceState(null, "", url);
    } catch (err) {
      if (mine.signal.aborted) return;
      say(answer.dataset.lost);
    } finally {
      clearTimeout(busy);
      if (older === mine) answer.setAttribute("aria-busy", "false");
    }
  };
  const say = (text) => {
    const p = document.createElement("p");
    p.setAttribute("role", "status");
    p.textContent = text;
    answer.replaceChildren(p);
  };
  form.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(ask, 300);
  });
  form.addEventListener("change", () => {
    clearTimeout(timer);
    timer = setTimeout(ask, 50);
  });
}

// follow shows how far a replay is, from a stream of lines, and at its end what
// came out.
async function follow(box) {
  const bar = box.querySelector("progress"), text = box.querySelector("[data-text]");
  try {
    const res = await fetch(box.dataset.follow, { headers: { Accept: "application/x-ndjson" } });
    const lines = res.body.pipeThrough(new TextDecoderStream()).getReader();
    for (let rest = "", part; !(part = await lines.read()).done;) {
      const all = (rest + part.value).split("\n");
      rest = all.pop();
      for (const line of all) {
        const now = JSON.parse(line);
        text.textContent = now.text;
        bar.value = now.share;
      }
    }
  } finally {
    location.reload(); // at the end, and where the stream broke
  }
}

document.querySelectorAll(".slider").forEach(slider);
document.querySelectorAll("form[data-live]").forEach(live);
document.querySelectorAll("[data-follow]").forEach(follow);
document.querySelectorAll("[data-print]").forEach((p) => {
  p.hidden = false;
  p.querySelector("button").addEventListener("click", () => window.print());
});

"use strict";
// What was just done is looked at first, also where the page was loaded again by itself while it was worked out.
(() => {
  const did = document.getElementById("did");
  if (!did) return;
  history.scrollRestoration = "manual";
  addEventListener("load", () => did.scrollIntoView({ block: "center" }));
})();
// The live parts of the page: figures from the recorder as they come. Everything else works without it.
(() => {
  const live = document.getElementById("live");
  if (!live) return;
  let heard = 0;
  const stream = new EventSource(live.dataset.stream);
  stream.onmessage = (event) => {
    heard = Date.now();
    live.classList.remove("lost");
    const now = JSON.parse(event.data);
    for (const part of live.querySelectorAll("[data-is]")) {
      const value = now[part.dataset.is];
      if (Array.isArray(value)) {
        part.replaceChildren(...value.map((line) => {
          const item = document.createElement("li");
          item.textContent = line;
          return item;
        }));
      } else {
        const inner = part.querySelector("bdi") || part;
        if (inner.textContent !== value) inner.textContent = value;
      }
    }
  };
  // What is shown must not look like now when nothing comes any more.
  setInterval(() => { if (Date.now() - heard > 3000) live.classList.add("lost"); }, 1000);
})();

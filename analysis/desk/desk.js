"use strict";
// What is typed into a file's form is looked through as it is typed, by the desk; posting says the same without this.
(() => {
  const line = (form, entry, said) => {
    const field = form.elements.namedItem(entry), box = field && field.closest && field.closest(".entry");
    if (!box) return;
    const id = field.id + "-wrong";
    let told = document.getElementById(id);
    if (!said) {
      if (told) told.remove();
      box.classList.remove("wrong");
      field.removeAttribute("aria-invalid");
      return;
    }
    if (!told) {
      told = document.createElement("strong");
      told.id = id;
      told.setAttribute("role", "status");
      box.append(told);
    }
    told.textContent = said;
    box.classList.add("wrong");
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", [field.id + "-help", id].filter((each) => document.getElementById(each)).join(" "));
  };
  for (const form of document.querySelectorAll("form[data-check]")) {
    let asked = 0;
    form.addEventListener("change", async () => {
      const mine = ++asked;
      try {
        const answer = await fetch(form.dataset.check, { method: "POST", body: new URLSearchParams(new FormData(form)) });
        if (!answer.ok || mine !== asked) return;
        const found = await answer.json();
        for (const field of form.elements) if (field.name && field.type !== "hidden") line(form, field.name, found.wrong[field.name]);
        let told = form.querySelector(".elsewhere");
        if (!told) {
          told = document.createElement("p");
          told.className = "elsewhere";
          told.setAttribute("role", "status");
          form.append(told);
        }
        told.textContent = found.elsewhere;
      } catch { /* the desk has ended: posting will say so */ }
    });
  }
})();
// What was just done is looked at first, also where the page was loaded again by itself while it was worked out.
(() => {
  const did = document.getElementById("did");
  if (!did) return;
  history.scrollRestoration = "manual";
  addEventListener("load", () => did.scrollIntoView({ block: "center" }));
})();
// The live parts of the page: figures from the recorder as they come. Everything else works without it.
(() => {
  const live = document.querySelector("[data-stream]");
  if (!live) return;
  let heard = 0;
  const stream = new EventSource(live.dataset.stream);
  stream.onmessage = (event) => {
    heard = Date.now();
    live.classList.remove("lost");
    const now = JSON.parse(event.data);
    // A recorder that began or ended has other forms; whoever is typing keeps theirs.
    const typing = [...document.querySelectorAll("input[type=text], textarea")].some((each) => each.value !== each.defaultValue);
    if (now.running !== (live.dataset.running === "yes") && !typing) {
      stream.close();
      location.replace("/now");
      return;
    }
    for (const part of live.querySelectorAll("[data-is]")) {
      const value = now[part.dataset.is];
      if (Array.isArray(value)) {
        if ([...part.children].map((each) => each.textContent).join("\n") === value.join("\n")) continue; // who reads it stays there
        part.replaceChildren(...value.map((line) => {
          const item = document.createElement("li"), inner = document.createElement("bdi");
          inner.textContent = line;
          item.append(inner);
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

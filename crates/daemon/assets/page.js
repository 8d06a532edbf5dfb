// What the page does beyond being read: times in the browser's own zone, ages that count on, and on the sheet each part shown
// anew when it has changed. It decides nothing, and what it cannot do the page can be read without.
"use strict";
(() => {
  const body = document.body;
  // How far this browser's clock is from the daemon's, in milliseconds.
  let ahead = Date.parse(body.dataset.now) - Date.now();
  const now = () => Date.now() + ahead;

  const clocks = {
    minute: new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit" }),
    second: new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", second: "2-digit" }),
    date: new Intl.DateTimeFormat("sv-SE", { dateStyle: "short", timeStyle: "short" }),
  };
  const write = (element, text) => {
    if (element.textContent !== text) element.textContent = text;
  };
  const localise = (inside) => {
    for (const element of inside.querySelectorAll("[data-show]")) {
      const at = new Date(element.dataset.at ?? element.getAttribute("datetime"));
      write(element, clocks[element.dataset.show].format(at));
    }
  };
  const lasting = (seconds) => {
    if (seconds < 100) return `${Math.floor(seconds)}\u202fs`;
    if (seconds < 6000) return `${Math.floor(seconds / 60)}\u202fmin`;
    return `${Math.floor(seconds / 3600)}\u202fh`;
  };
  const age = () => {
    for (const element of document.querySelectorAll("[data-age]")) {
      const seconds = Math.max(0, (now() - Date.parse(element.dataset.age)) / 1000);
      write(element, `(${lasting(seconds)} ago)`);
    }
  };
  localise(document);
  age();
  setInterval(age, 1000);
  for (const element of document.querySelectorAll(".zone")) {
    const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
    write(element, `Times are those of this browser (${zone}).`);
  }

  // A mark of the band opens its round.
  const open = () => {
    const target = location.hash && document.getElementById(location.hash.slice(1));
    if (target instanceof HTMLDetailsElement) {
      target.open = true;
      target.scrollIntoView({ block: "nearest" });
    }
  };
  addEventListener("hashchange", open);
  open();

  if (!body.dataset.live) return;

  // A lost connection says since when: what stands on the sheet was true then.
  const connection = document.getElementById("connection");
  let heard = now();
  let lost = null;
  const cut = () => {
    if (lost !== null) return;
    lost = heard;
    const since = clocks.second.format(new Date(lost));
    connection.textContent = `No connection since ${since}. What stands here was true then, and may not be true now.`;
    connection.hidden = false;
    body.classList.add("cut");
  };
  const alive = () => {
    heard = now();
    if (lost === null) return;
    lost = null;
    connection.textContent = "";
    connection.hidden = true;
    body.classList.remove("cut");
  };
  setInterval(() => {
    if (now() - heard > 15000) cut();
  }, 1000);

  const show = ({ part, hash, html }) => {
    const section = document.getElementById(`part-${part}`);
    if (!section || section.dataset.hash === hash) return;
    const focused = section.contains(document.activeElement) ? document.activeElement : null;
    // What somebody is writing is not taken from under their hands.
    if (focused instanceof HTMLInputElement) return;
    const shut = new Map();
    for (const details of section.querySelectorAll("details[id]")) shut.set(details.id, details.dataset.touched && details.open);
    const link = focused && (focused.id || focused.getAttribute("href") || focused.textContent);
    const fresh = document.createElement("div");
    fresh.innerHTML = html;
    localise(fresh);
    for (const details of fresh.querySelectorAll("details[id]")) {
      const was = shut.get(details.id);
      if (was !== undefined && document.getElementById(details.id)?.dataset.touched) {
        details.open = was;
        details.dataset.touched = "yes";
      }
    }
    section.replaceChildren(...fresh.childNodes);
    section.dataset.hash = hash;
    if (link) {
      const same = [...section.querySelectorAll("a, button, summary, [tabindex]")].find(
        (element) => (element.id || element.getAttribute("href") || element.textContent) === link,
      );
      same?.focus({ preventScroll: true });
    }
    age();
  };
  document.addEventListener("click", (event) => {
    const details = event.target.closest?.("summary")?.parentElement;
    if (details) details.dataset.touched = "yes";
  });

  const events = new EventSource(body.dataset.live);
  events.addEventListener("now", (event) => {
    ahead = Date.parse(event.data) - Date.now();
    alive();
  });
  events.addEventListener("part", (event) => {
    alive();
    show(JSON.parse(event.data));
  });
  events.addEventListener("error", cut);
})();

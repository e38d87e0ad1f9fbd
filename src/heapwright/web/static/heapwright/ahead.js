// What the pile of a mix would do, beside the mix: asked for once the amounts rest, and again while
// it is being computed. Without this script a button opens the same answer on a page of its own.
"use strict";

(() => {
  const answer = "ahead-answer";
  const rest = 700;
  const pause = 1500;
  const most = 40;
  const form = document.getElementById("mix-form");
  const here = document.getElementById("mix-ahead");
  let turn = 0;
  let timer = 0;

  const address = () => {
    if (!form || !here) return window.location.href;
    return `${here.dataset.from}?${new URLSearchParams(new FormData(form))}`;
  };

  const put = (text) => {
    const found = new DOMParser().parseFromString(text, "text/html");
    const fresh = found.getElementById(answer);
    const old = document.getElementById(answer);
    if (!old) return false;
    if (!fresh) {
      old.replaceChildren();
      return false;
    }
    for (const one of old.querySelectorAll("details[open]")) {
      const same = fresh.querySelector(`details[id="${one.id}"]`);
      if (same) same.open = true;
    }
    old.replaceWith(fresh);
    return fresh.dataset.pending === "1";
  };

  const ask = async (mine, count) => {
    if (mine !== turn || count > most) return;
    try {
      const found = await fetch(address(), { credentials: "same-origin" });
      if (mine !== turn || found.redirected || !found.ok) return;
      if (put(await found.text())) window.setTimeout(() => ask(mine, count + 1), pause);
    } catch {
      // out of reach: what is shown stays, and the mix itself says that the site is lost
    }
  };

  const later = (wait) => {
    window.clearTimeout(timer);
    turn += 1;
    const mine = turn;
    timer = window.setTimeout(() => ask(mine, 0), wait);
  };

  if (form && here) {
    new MutationObserver(() => later(rest)).observe(form, { attributeFilter: ["data-followed"] });
    later(rest);
  } else if (document.getElementById(answer)?.dataset.pending === "1") {
    later(pause);
  }
})();

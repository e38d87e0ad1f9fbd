// While a newer forecast is being computed, the page asks for itself every few seconds and puts the
// parts that have changed in their place. Without this script a reload does the same.
"use strict";

(() => {
  const parts = ["outlook-cut", "outlook-heat", "outlook"];
  const pause = 2000;
  const most = 60;
  let asked = 0;

  const put = (text) => {
    const found = new DOMParser().parseFromString(text, "text/html");
    for (const id of parts) {
      const old = document.getElementById(id);
      const fresh = found.getElementById(id);
      if (!old || !fresh) continue;
      for (const one of old.querySelectorAll("details[open]")) {
        const same = fresh.querySelector(`details[id="${one.id}"]`);
        if (same) same.open = true;
      }
      old.replaceWith(fresh);
    }
  };

  const look = async () => {
    const here = document.getElementById("outlook");
    if (!here || here.dataset.pending !== "1" || asked >= most) return;
    asked += 1;
    try {
      const answer = await fetch(window.location.href, { credentials: "same-origin" });
      if (!answer.redirected && answer.ok) put(await answer.text());
    } catch {
      // out of reach: the page keeps what it has, and asks again
    }
    window.setTimeout(look, pause);
  };

  window.setTimeout(look, pause);
})();

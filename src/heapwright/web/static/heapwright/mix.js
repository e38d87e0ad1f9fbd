// The mix follows every change of an amount: the page's own form is sent to be worked out, and
// what depends on it is put in its place. Without this script a button does the same.
"use strict";

(() => {
  const form = document.getElementById("mix-form");
  if (!form) return;
  const parts = ["mix-answer", "mix-rest"];
  const said = document.getElementById("mix-said");
  let busy = false;
  let again = false;

  const say = () => {
    const headline = document.getElementById("mix-headline");
    if (!said || !headline) return;
    said.textContent = headline.dataset.brief;
    said.hidden = false;
  };

  const put = (text) => {
    const found = new DOMParser().parseFromString(text, "text/html");
    for (const id of parts) {
      const old = document.getElementById(id);
      const fresh = found.getElementById(id);
      if (!old || !fresh) throw new Error(`no ${id} in the answer`);
      const open = Array.from(old.querySelectorAll("details"), (one) => one.open);
      fresh.querySelectorAll("details").forEach((one, at) => {
        one.open = Boolean(open[at]);
      });
      old.replaceWith(fresh);
    }
    say();
  };

  // One question at a time; of those asked meanwhile only the last matters.
  const follow = async () => {
    if (busy) {
      again = true;
      return;
    }
    busy = true;
    try {
      do {
        again = false;
        const query = new URLSearchParams(new FormData(form));
        const answer = await fetch(`${form.dataset.check}?${query}`, { credentials: "same-origin" });
        if (answer.redirected || !answer.ok) throw new Error(`answer ${answer.status}`);
        put(await answer.text());
      } while (again);
      form.dataset.followed = String(Number(form.dataset.followed || 0) + 1);
    } catch {
      if (said) {
        said.textContent = form.dataset.lost;
        said.hidden = false;
      }
    } finally {
      busy = false;
    }
  };

  const isAmount = (field) => field.name.startsWith("amount.") || field.name === "water";

  form.addEventListener("input", (event) => {
    if (isAmount(event.target)) follow();
  });

  form.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-by]");
    if (!button) return;
    const field = button.closest(".amount").querySelector("input");
    const count = Math.max((Number(field.value) || 0) + Number(button.dataset.by), 0);
    field.value = String(Math.round(2 * count) / 2);
    follow();
  });

  for (const step of form.querySelectorAll(".step")) step.hidden = false;
  say();
})();

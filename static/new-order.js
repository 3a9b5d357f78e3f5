/* A half-typed order is kept in this browser until it is saved or thrown away, or for two weeks.
   Each form has its own place, under its one-time key: a form that is taken up again and saved
   makes one order, also where its answer never came. */
(() => {
  "use strict";
  const place = document.getElementById("order-form");
  const offers = document.getElementById("drafts");
  const own = `likewright order ${place.dataset.person} `;
  const LONGEST = 14 * 86_400_000;
  const form = () => place.querySelector("form");
  const key = () => form().elements.once && own + form().elements.once.value;
  let gone = "";

  const keep = () => {
    if (!key() || key() === gone) return;
    const begun = [...form().querySelectorAll("input:not([type=hidden], [type=checkbox]), textarea")]
      .some((field) => field.value.trim());
    try {
      if (!begun) return localStorage.removeItem(key());
      const typed = Object.fromEntries(new FormData(form()));
      localStorage.setItem(key(), JSON.stringify({ at: Date.now(), typed }));
    } catch { /* a browser that keeps nothing: the form works without */ }
  };
  place.addEventListener("input", keep);
  place.addEventListener("change", keep);
  // A row that was added, a customer who was taken over.
  document.addEventListener("htmx:after:swap", (event) => {
    if (event.detail.ctx.target === place) keep();
  });
  document.addEventListener("htmx:after:request", (event) => {
    const to = event.detail.ctx.response.headers.get("HX-Redirect") || "";
    if (!/^\/(orders\/|book)/.test(to)) return;
    gone = key();
    localStorage.removeItem(gone);
  });
  // Signed out, or saved, in another window: what is gone there is not kept here again.
  window.addEventListener("storage", (event) => {
    if (event.key === key() && event.newValue === null) gone = key();
  });

  const when = (at) => {
    const then = new Date(at), now = new Date();
    const clock = then.toLocaleTimeString("en-GB", { hour: "numeric", minute: "2-digit" });
    if (then.toDateString() === now.toDateString()) return `today at ${clock}`;
    const far = now - then > 6 * 86_400_000;
    const day = then.toLocaleDateString("en-GB", far ? { day: "numeric", month: "long" } : { weekday: "long" });
    return `on ${day} at ${clock}`;
  };

  const offer = (name, draft) => {
    const row = document.getElementById("draft").content.firstElementChild.cloneNode(true);
    const whom = draft.typed.a0_name || draft.typed.name;
    row.querySelector("strong").textContent = whom ? `for ${whom}` : "";
    row.querySelector("time").textContent = when(draft.at);
    row.querySelector("[data-throw-away]").addEventListener("click", () => {
      localStorage.removeItem(name);
      row.remove();
      form().elements.name.focus();
    });
    row.querySelector("[data-carry-on]").addEventListener("click", async () => {
      const values = { ...draft.typed, more: "again" };
      await htmx.ajax("POST", "/orders/new", { values, target: place, swap: "innerHTML" });
      if (key() !== name) return;
      row.remove();
      form().elements.name.focus();
    });
    offers.append(row);
  };

  const found = [];
  for (const name of Object.keys(localStorage)) {
    if (!name.startsWith(own)) continue;
    const draft = JSON.parse(localStorage.getItem(name));
    if (Date.now() - draft.at > LONGEST) localStorage.removeItem(name);
    else if (name !== key()) found.push([name, draft]);
  }
  found.sort(([, one], [, other]) => other.at - one.at).forEach((each) => offer(...each));
})();

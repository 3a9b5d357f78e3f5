/* What a form alone cannot do on the benches: a fold that somebody opened stays open when the bands
   are drawn anew, the first field of a form that was asked for is ready to type in, what has just
   changed under a finger takes no tap that was meant for what stood there before, and what could not
   be sent stays in sight to be pressed again. */
(() => {
  "use strict";
  const QUIET = 1500; // ms for which a row that has changed takes no tap
  const timers = new WeakMap();
  let before = new Map();
  let finger = null;
  let polled = false;

  // What a row would do if it were tapped: that changes with every version of its piece.
  const rows = () => document.querySelectorAll("#bands .piece");
  const acts = (row) => Array.from(row.querySelectorAll("button"), (button) => button.value).join();
  const under = () => {
    const found = finger && document.elementFromPoint(finger.x, finger.y);
    return found && found.closest(".piece, .undo, .yes, .ticked");
  };
  const quieten = (part) => {
    const buttons = part.querySelectorAll("button, .button");
    for (const button of buttons) button.setAttribute("aria-disabled", "true");
    clearTimeout(timers.get(part));
    timers.set(part, setTimeout(() => {
      for (const button of part.querySelectorAll("[aria-disabled]")) button.removeAttribute("aria-disabled");
    }, QUIET));
  };

  window.htmx.registerExtension("benches", {
    // The house sends only the bands that differ from these; of the others, it names the place.
    htmx_config_request: (node, { ctx }) => {
      const bands = document.querySelectorAll("[data-stamp]");
      ctx.request.headers["Bands-Shown"] = Array.from(bands, (band) => band.dataset.stamp).join(" ");
    },
    // Why something was not done stays in words until the next act: a poll knows nothing of it.
    htmx_before_morph_node: (node, { newNode }) => !newNode.hasAttribute("data-kept")
      && !(polled && node.id === "said" && node.firstElementChild && !newNode.firstElementChild),
    htmx_before_morph_attr: (node, { attrName }) =>
      attrName !== "aria-disabled" && (attrName !== "open" || !node.matches("details")),
  });
  document.addEventListener("pointerdown", (press) => {
    finger = { x: press.clientX, y: press.clientY };
  }, true);
  document.addEventListener("click", (press) => {
    if (!press.target.closest("[aria-disabled=true]")) return;
    press.preventDefault();
    press.stopImmediatePropagation();
  }, true);
  document.addEventListener("htmx:before:swap", (event) => {
    const asked = event.detail && event.detail.ctx && event.detail.ctx.request;
    polled = Boolean(asked) && asked.method === "GET";
    before = new Map(Array.from(rows(), (row) => [row.id, acts(row)]));
    before.set("under", under());
  });
  document.addEventListener("htmx:after:swap", (event) => {
    for (const row of rows()) if (before.get(row.id) !== acts(row)) quieten(row);
    const now = under();
    if (now && now !== before.get("under")) quieten(now);
    const request = event.detail && event.detail.ctx && event.detail.ctx.request;
    // After an act only that is ticked which the house ticks: a poll leaves ticks as they are.
    if (request && request.method === "POST") {
      for (const box of document.querySelectorAll("#bands [name=tick]")) box.checked = box.defaultChecked;
    }
    const first = document.querySelector(".set-aside [data-focus]");
    if (request && request.method === "POST" && first) first.focus();
  });

  // What was pressed while there was no connection: kept to be pressed again by hand, never sent by itself.
  const unsent = (pressed, form) => {
    const part = document.getElementById("unsent");
    if (!part || !form.id) return;
    const said = pressed.textContent.replace(/\s+/g, " ").trim();
    const again = document.createElement("button");
    Object.assign(again, { name: pressed.name, value: pressed.value, textContent: `Press again: ${said}` });
    again.className = "main";
    again.setAttribute("form", form.id);
    const leave = document.createElement("button");
    Object.assign(leave, { type: "button", textContent: "Leave it", onclick: () => { part.hidden = true; } });
    const words = document.createElement("p");
    words.textContent = `Not saved: ${said}. There was no connection.`;
    part.replaceChildren(words, again, " ", leave);
    part.hidden = false;
  };
  const posted = (event) => {
    const ctx = event.detail && event.detail.ctx;
    return ctx && ctx.request && ctx.request.method === "POST" ? ctx : null;
  };
  document.addEventListener("htmx:error", (event) => {
    const ctx = posted(event);
    const pressed = ctx && ctx.sourceEvent && ctx.sourceEvent.submitter;
    if (pressed) unsent(pressed, ctx.sourceElement);
  });
  document.addEventListener("htmx:after:request", (event) => {
    if (posted(event) && document.getElementById("unsent")) document.getElementById("unsent").hidden = true;
  });

  // A scanner is a keyboard: what it types with nothing in focus belongs to the field for job tickets.
  document.addEventListener("keydown", (press) => {
    const scan = document.getElementById("scan");
    const plain = press.key.length === 1 && !/[ /]/.test(press.key) && !press.ctrlKey && !press.metaKey && !press.altKey;
    if (scan && plain && document.activeElement === document.body) scan.focus({ preventScroll: true });
  });
})();

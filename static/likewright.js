/* Only what a plain form cannot do: the find key, a lost connection said, focus after a swap. */
(() => {
  "use strict";
  const find = () => document.getElementById("find");
  const typing = (node) => node.matches("input, textarea, select, [contenteditable]");

  document.addEventListener("keydown", (press) => {
    if (press.key === "/" && !typing(press.target) && !press.ctrlKey && !press.metaKey && find()) {
      press.preventDefault();
      find().focus();
      find().select();
    }
  });

  const offline = (lost) => {
    const banner = document.getElementById("offline");
    if (banner) banner.hidden = !lost;
  };
  document.addEventListener("htmx:error", () => offline(true));
  document.addEventListener("htmx:after:request", (event) => {
    const response = event.detail && event.detail.ctx && event.detail.ctx.response;
    if (response && response.status) offline(false);
  });
  window.addEventListener("offline", () => offline(true));
  window.addEventListener("online", () => offline(false));

  // A form that came back with something wrong: to the first wrong field. A row that was added:
  // to its first field.
  const focus = () => {
    const next = document.querySelector("[data-focus]") || document.querySelector("[aria-invalid=true]");
    if (!next) return;
    next.focus();
    // What was carried over from the line above is typed over.
    if (next.select) next.select();
  };
  document.addEventListener("htmx:after:swap", (event) => {
    const target = event.detail && event.detail.ctx && event.detail.ctx.target;
    if (target && target.closest && target.closest("[data-refocus]")) focus();
  });
  document.addEventListener("DOMContentLoaded", focus);

  // Copy a status link or a ready text.
  document.addEventListener("click", async (click) => {
    const button = click.target.closest("[data-copy]");
    if (!button) return;
    click.preventDefault();
    const source = document.getElementById(button.dataset.copy);
    const text = "value" in source ? source.value : source.textContent.trim();
    try {
      await navigator.clipboard.writeText(text);
    } catch {
      if (source.select) source.select();
      document.execCommand("copy");
    }
    const said = button.textContent;
    button.textContent = "Copied";
    setTimeout(() => { button.textContent = said; }, 1500);
  });

  // Whoever signs out leaves no half-typed order behind in this browser.
  document.addEventListener("submit", (event) => {
    if (event.target.getAttribute("action") !== "/sign-out") return;
    Object.keys(localStorage).filter((name) => name.startsWith("likewright order "))
      .forEach((name) => localStorage.removeItem(name));
  });

  // Ctrl+Enter saves the form one is in.
  document.addEventListener("keydown", (press) => {
    if (press.key === "Enter" && press.ctrlKey && press.target.form) press.target.form.requestSubmit();
  });
})();

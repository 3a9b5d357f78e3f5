/* What plain forms cannot do at the photo desk: uploads one file at a time with a word on how far
   they are, files dropped onto the page, and sorting by animal by keyboard. */
(() => {
  "use strict";
  const form = document.getElementById("bring");
  const say = (text) => { document.getElementById("bring-said").textContent = text; };
  const far = document.getElementById("bring-far");
  let busy = false;

  const send = async (file) => {
    const body = new FormData();
    body.append("files", file, file.name);
    const answer = await fetch(form.action, { method: "POST", body, headers: { accept: "application/json" } });
    if (answer.status === 422) return { kept: 0, known: 0, not_read: [{ name: file.name, why: (await answer.json()).problem }] };
    if (!answer.ok) {
      const said = await answer.json().catch(() => ({}));
      throw new Error(said.problem || (answer.status === 401 ? "You are not signed in any more." : "The server did not accept it."));
    }
    return answer.json();
  };

  const bring = async (files) => {
    if (busy || !files.length) return;
    busy = true;
    far.hidden = false;
    far.max = files.length;
    const sum = { kept: 0, known: 0, not_read: [] };
    const told = () => `${sum.kept} new` + (sum.known ? `, ${sum.known} already here` : "") + (sum.not_read.length ? `, ${sum.not_read.length} could not be read` : "");
    let place = 0;
    try {
      for (const file of files) {
        far.value = place;
        say(`Adding ${place + 1} of ${files.length}: ${file.name}. So far ${told()}.`);
        const came = await send(file);
        sum.kept += came.kept;
        sum.known += came.known;
        sum.not_read.push(...came.not_read);
        place += 1;
      }
      say(`Done: ${told()}.`);
      far.hidden = true;
    } catch (why) {
      const lost = why instanceof TypeError ? "The connection broke." : why.message;
      say(`${lost} ${place} of ${files.length} files were added (${told()}). Choose the same files again: what is here already is skipped.`);
    }
    busy = false;
    window.htmx.ajax("GET", window.location.pathname, { target: "#here", swap: "innerHTML" });
  };

  if (form) {
    const chosen = document.getElementById("files");
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (!chosen.files.length) say("Choose some files first.");
      bring([...chosen.files]);
    });
    document.addEventListener("dragover", (event) => event.preventDefault());
    document.addEventListener("drop", (event) => {
      event.preventDefault();
      bring([...event.dataTransfer.files]);
    });
  }

  // ---- sorting by animal
  const ticks = () => [...document.querySelectorAll("#sorting input[name=tick]")];
  let last = null;

  const above = (all, from, way) => {
    const here = all[from].getBoundingClientRect();
    let best = -1, least = Infinity;
    all.forEach((tick, k) => {
      const there = tick.getBoundingClientRect();
      const down = (there.top - here.top) * way;
      if (down < 20) return;
      const cost = down * 10 + Math.abs(there.left - here.left);
      if (cost < least) { least = cost; best = k; }
    });
    return best;
  };

  document.addEventListener("keydown", (press) => {
    const all = ticks();
    const typing = press.target.matches("input:not([type=checkbox]), textarea, select");
    if (!all.length || typing || press.ctrlKey || press.metaKey || press.altKey) return;
    const at = all.indexOf(press.target);
    const step = { ArrowRight: 1, ArrowLeft: -1 }[press.key];
    const way = { ArrowDown: 1, ArrowUp: -1 }[press.key];
    if (step || way) {
      press.preventDefault();
      const to = at < 0 ? 0 : step ? at + step : above(all, at, way);
      if (to < 0 || to >= all.length) return;
      if (press.shiftKey && at >= 0) for (let k = Math.min(at, to); k <= Math.max(at, to); k += 1) all[k].checked = true;
      all[to].focus();
      return;
    }
    const button = document.querySelector(`#give button[data-key="${CSS.escape(press.key.toUpperCase())}"]`);
    if (!button) return;
    press.preventDefault();
    const some = all.some((tick) => tick.checked);
    if (!some && at < 0) return;
    if (!some) all[at].checked = true;
    last = some ? null : at + 1;
    document.querySelectorAll("#f-first, #f-last").forEach((field) => { field.value = ""; });
    button.click();
  });

  // Shift and a click tick everything between.
  let clicked = null;
  document.addEventListener("click", (click) => {
    const all = ticks();
    const at = all.indexOf(click.target);
    if (at < 0) return;
    if (click.shiftKey && clicked !== null && all[clicked]) for (let k = Math.min(at, clicked); k <= Math.max(at, clicked); k += 1) all[k].checked = click.target.checked;
    clicked = at;
  });

  // What was given is no longer ticked; the next picture is where one stands.
  document.addEventListener("htmx:after:swap", (event) => {
    const target = event.detail && event.detail.ctx && event.detail.ctx.target;
    if (!target || target.id !== "sorting") return;
    if (document.querySelector("#sorting .problems")) return;
    const all = ticks();
    all.forEach((tick) => { tick.checked = false; });
    document.querySelectorAll("#f-first, #f-last").forEach((field) => { field.value = ""; });
    if (last !== null && all[last]) all[last].focus();
    last = null;
  });
})();

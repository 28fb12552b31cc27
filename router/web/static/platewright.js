// Small helps; every page works without them.
"use strict";
(() => {
  // Filters act as soon as one is chosen; the button stays for those without script.
  for (const form of document.querySelectorAll("form[data-at-once]")) {
    form.addEventListener("change", (event) => {
      if (event.target.matches("select, input[type=checkbox], input[type=radio]")) form.requestSubmit();
    });
  }
  // What takes longer than a page may is fetched once the page stands; the link in its place stays when that fails.
  for (const place of document.querySelectorAll("[data-fill]")) {
    fetch(place.dataset.fill, { credentials: "same-origin" })
      .then((answer) => (answer.ok && !answer.redirected ? answer.text() : ""))
      .then((text) => { if (text) place.innerHTML = text; })
      .catch(() => {});
  }
  // A time is offered on the clock of what is chosen, as long as nobody has typed another.
  for (const choice of document.querySelectorAll("select[data-clock]")) {
    const field = document.getElementById(choice.dataset.clock);
    // After a fault it holds what somebody typed, which is nobody's offer.
    const moments = [...choice.options].map((option) => option.dataset.now);
    let offered = moments.includes(field.value) ? field.value : null;
    const offer = () => {
      if (field.value !== offered) return;
      field.value = offered = choice.selectedOptions[0].dataset.now;
    };
    choice.addEventListener("change", offer);
    // The browser may have kept another choice than the page was made with.
    offer();
  }
  // The figure that is chosen, as it stands now, beside the field for another.
  for (const form of document.querySelectorAll("form[data-present]")) {
    const known = JSON.parse(form.dataset.present);
    const { site, machine, field } = form.elements;
    const told = form.querySelector("output");
    const tell = () => {
      const place = [site.value, machine.value, field.value].filter(Boolean).join(",");
      told.textContent = `now ${known[place] ?? "not stated"}`;
    };
    form.addEventListener("change", tell);
    tell();
  }
  // On paper nothing can be opened.
  window.addEventListener("beforeprint", () => {
    for (const rest of document.querySelectorAll("details.more")) rest.open = true;
  });
  // A box that opens over the page closes with Escape or a click elsewhere, and gives the focus back.
  const boxes = () => document.querySelectorAll("details.self[open], details.how[open], details.pop[open]");
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    for (const box of boxes()) {
      const inside = box.contains(document.activeElement);
      box.open = false;
      if (inside) box.querySelector("summary").focus();
    }
  });
  document.addEventListener("click", (event) => {
    for (const box of boxes()) if (!box.contains(event.target)) box.open = false;
  });
  // A form is sent once, however often its button is pressed.
  document.addEventListener("submit", (event) => {
    if (event.defaultPrevented || event.target.method !== "post") return;
    if (event.target.dataset.sent) event.preventDefault();
    event.target.dataset.sent = "yes";
    if (event.target.dataset.busy) {
      event.target.querySelector("[role=status]").textContent = event.target.dataset.busy;
      for (const button of event.target.querySelectorAll("button")) button.disabled = true;
    }
  });
  window.addEventListener("pageshow", () => {
    for (const form of document.querySelectorAll("form[data-sent]")) {
      delete form.dataset.sent;
      if (form.dataset.busy) for (const button of form.querySelectorAll("button")) button.disabled = false;
    }
  });
  // A question before what cannot be taken back.
  document.addEventListener("submit", (event) => {
    const asked = event.submitter && event.submitter.dataset.ask;
    if (asked && !window.confirm(asked)) { event.preventDefault(); delete event.target.dataset.sent; }
  });
})();

"use strict";
// Finding and filtering checks. The page says everything without this script; nothing here asks the network.
(() => {
  const section = document.getElementById("checks").closest("section");
  const groups = [...section.querySelectorAll(".group")];
  const stages = [...section.querySelectorAll(".stage")];
  const folds = [...section.querySelectorAll(".stage > details")];
  const find = document.getElementById("find"), show = document.getElementById("show");

  const filter = () => {
    const words = find.value.trim().toLowerCase(), verdict = show.value;
    let found = 0;
    for (const group of groups) {
      const here = (!verdict || group.dataset.verdict === verdict)
        && (!words || group.textContent.toLowerCase().includes(words)
          || group.closest(".stage").getAttribute("aria-label").toLowerCase().includes(words));
      group.hidden = !here;
      found += here;
    }
    const asked = Boolean(words || verdict);
    for (const stage of stages) stage.hidden = !stage.querySelector(".group:not([hidden])");
    for (const fold of folds) {
      fold.hidden = !fold.querySelector(".group:not([hidden])");
      if (asked) fold.open = !fold.hidden;
    }
    section.querySelector(".found").textContent = asked ? found + " of " + groups.length : "";
  };

  section.querySelector(".filter").hidden = false;
  find.addEventListener("input", filter);
  show.addEventListener("input", filter);
  section.querySelectorAll("button[data-open]").forEach((button) => button.addEventListener("click", () => {
    folds.forEach((fold) => { fold.open = button.dataset.open === "all"; });
  }));
  const reveal = () => {
    const fold = document.getElementById(location.hash.slice(1))?.querySelector(":scope > details");
    if (fold) fold.open = true;
  };
  window.addEventListener("hashchange", reveal);
  reveal();
})();

"use strict";
/* The reader's choice of theme and units: one cookie, which the server reads when it builds a page. */
(function () {
  const NAME = "evenburn_display";
  const GROUPS = [["auto", "light", "dark"], ["C", "F"], ["lambda", "afr"]];
  const system = window.matchMedia("(prefers-color-scheme: dark)");

  function chosen() {
    const match = document.cookie.match(new RegExp("(?:^|; )" + NAME + "=([^;]*)"));
    const words = match ? match[1].split(".") : [];
    return GROUPS.map((group) => group.find((word) => words.includes(word)) || group[0]);
  }

  function keep(choice) {
    const dark = choice[0] === "dark" || (choice[0] === "auto" && system.matches);
    // with "auto" the cookie also says what the system wants now
    const words = choice[0] === "auto" && dark ? choice.concat("dark") : choice.slice();
    if (window.innerWidth < 700) words.push("narrow");
    document.cookie = NAME + "=" + words.join(".") + "; path=/; max-age=31536000; SameSite=Strict";
    document.documentElement.dataset.theme = dark ? "dark" : "light";
  }

  window.evenburnDisplay = function () {
    const choice = chosen();
    return { fahrenheit: choice[1] === "F", afr: choice[2] === "afr" };
  };

  function invite() {
    fetch("/invite", { method: "POST", headers: { "Content-Type": "application/json" }, body: "{}" })
      .then((answer) => answer.json())
      .then(function (answer) {
        document.getElementById("invitation").textContent =
          "Open this once on the other device: " + window.location.origin + answer.path;
      });
  }

  keep(chosen());
  system.addEventListener("change", function () {
    if (chosen()[0] === "auto") { keep(chosen()); window.location.reload(); }
  });
  document.addEventListener("click", function (event) {
    if (event.target.id === "invite") invite();
    const button = event.target.closest("[data-display]");
    if (!button) return;
    const word = button.dataset.display;
    keep(chosen().map((old, i) => (GROUPS[i].includes(word) ? word : old)));
    window.location.reload();
  });
})();

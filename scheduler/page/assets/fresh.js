// Looks every half minute where the sun stands now, and puts just that anew. Without
// this script the page says how it was when it was loaded.
"use strict";
(() => {
  const follows = ["facade-now", "facade-sky"];
  if (!document.getElementById(follows[0])) return;
  const look = async () => {
    const now = document.getElementById(follows[0]);
    try {
      const answer = await fetch(location.href);
      if (!answer.ok) throw new Error(answer.status);
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const id of follows) {
        const [old, fresh] = [document.getElementById(id), page.getElementById(id)];
        if (old && fresh && !old.contains(document.activeElement)) old.replaceWith(fresh);
      }
    } catch {
      now.classList.add("wrong");
    }
  };
  setInterval(look, 30000);
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") look();
  });
})();

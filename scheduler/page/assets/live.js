// Keeps the page as it is now. Without this script the page is loaded again
// every half minute instead.
"use strict";
(() => {
  const main = document.querySelector("[data-revision]");
  const state = document.getElementById("live-state");
  if (!main || !state || !window.EventSource) return;
  const say = (key) => main.dataset[key] || "";
  let revision = main.dataset.revision;
  let heard = performance.now();
  let shown = "";

  const show = (kind, text) => {
    if (shown === kind + text) return;
    shown = kind + text;
    state.className = "live " + kind;
    state.textContent = text;
    document.body.classList.toggle("is-stale", kind !== "is-live");
  };

  const put = (id, html) => {
    const old = document.getElementById(id);
    if (!old) return false;
    const box = document.createElement("template");
    box.innerHTML = html;
    const fresh = box.content.firstElementChild;
    if (!fresh) return false;
    // Whoever stands on a link in a part goes on standing there.
    const at = old.contains(document.activeElement) ? document.activeElement : null;
    const links = at ? [...old.querySelectorAll("a,button,summary")] : [];
    old.replaceWith(fresh);
    if (at) {
      const again = fresh.querySelectorAll("a,button,summary")[links.indexOf(at)];
      if (again) again.focus({ preventScroll: true });
    }
    return true;
  };

  // A browser keeps pages that were left, and six connections at most to one house:
  // what nobody looks at must hold none, or the seventh page waits for a minute.
  let source = null;
  const leave = () => {
    if (source) source.close();
    source = null;
  };
  const connect = () => {
    leave();
    heard = performance.now();
    source = new EventSource("/live?revision=" + encodeURIComponent(revision));
    source.onmessage = (event) => {
      heard = performance.now();
      const news = JSON.parse(event.data);
      revision = news.revision;
      let missing = false;
      for (const id of Object.keys(news.parts)) missing = !put(id, news.parts[id]) || missing;
      // A part that a page with all of them does not have: another site file.
      if (missing && main.dataset.whole) location.reload();
      show("is-live", say("live"));
    };
    source.onerror = () => {
      show("is-gone", say("gone"));
      if (source && source.readyState === EventSource.CLOSED) {
        setTimeout(() => { if (source) connect(); }, 3000);
      }
    };
  };
  const attend = () => {
    if (document.visibilityState === "hidden") leave();
    else if (!source) connect();
  };
  document.addEventListener("visibilitychange", attend);
  addEventListener("pagehide", leave);
  addEventListener("pageshow", attend);
  attend();

  setInterval(() => {
    const silent = (performance.now() - heard) / 1000;
    if (source && silent > 10) show("is-gone", say("silent").replace("{seconds}", Math.round(silent)));
  }, 1000);
})();

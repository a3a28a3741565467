// This morning's page renews itself: the part that changes comes whole from the server, as it would
// stand in the page, so that nothing of a log is put together here.
(() => {
  const round = document.querySelector("[data-round]");
  const lost = document.querySelector("[data-lost]");
  if (!round) return;
  const EVERY_MS = 2000;
  const HIDDEN_MS = 20000;
  let shown = "";

  async function renew() {
    try {
      const answer = await fetch("/morning/now", { cache: "no-store", signal: AbortSignal.timeout(10000) });
      if (!answer.ok) throw new Error(String(answer.status));
      const text = await answer.text();
      if (text !== shown) {
        const fresh = new DOMParser().parseFromString(text, "text/html");
        round.replaceChildren(...fresh.body.childNodes);
        shown = text;
      }
      lost.hidden = true;
    } catch {
      lost.hidden = false;
      shown = "";
      for (const part of round.querySelectorAll(".round")) part.classList.add("is-stale");
    }
    setTimeout(renew, document.hidden ? HIDDEN_MS : EVERY_MS);
  }

  setTimeout(renew, EVERY_MS);
})();

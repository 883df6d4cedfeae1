// How far a look back has come; when it is done, the page is fetched anew. Without this file: "Look again".
const card = document.querySelector("[data-progress]");

async function look() {
  try {
    const answer = await fetch(card.dataset.progress, { headers: { Accept: "application/json" } });
    const { phase, share, truck } = await answer.json();
    if (phase !== "running") {
      location.reload();
      return;
    }
    card.querySelector("progress").value = share;
    card.querySelector("[data-share]").textContent = `${Math.round(100 * share)}%`;
    card.querySelector("[data-truck]").textContent = truck;
  } catch {
    // The network is away for a moment: ask again.
  }
  setTimeout(look, 1000);
}

if (card) setTimeout(look, 500);

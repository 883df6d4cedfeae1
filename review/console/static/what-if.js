// While an answer is being computed, ask again until it is there.
const ACCEPTED = 202;

async function look() {
  try {
    const answer = await fetch(location.href, { credentials: "same-origin" });
    if (answer.status !== ACCEPTED) {
      location.reload();
      return;
    }
  } catch {
    // no connection: try again
  }
  setTimeout(look, 1000);
}

if (document.querySelector("[data-wait]")) look();

// Where the session has ended, nothing of a patient stays on the screen.
const look = async () => {
  try {
    const answer = await fetch("/ward/session", { cache: "no-store" });
    if (answer.status === 401) location.replace("/");
  } catch {
    // The server is away: the page itself says so.
  }
};
setInterval(look, 15000);
document.addEventListener("visibilitychange", () => document.hidden || look());
addEventListener("pageshow", (shown) => shown.persisted && look());

// A password can be looked at while it is typed: with gloves on a phone nobody types twelve signs blindly.
for (const field of document.querySelectorAll(".secret")) {
  const input = field.querySelector("input");
  const row = document.createElement("div");
  row.className = "row";
  input.replaceWith(row);
  const button = document.createElement("button");
  button.type = "button";
  button.className = "quiet";
  const label = field.querySelector("label").textContent.toLowerCase();
  const show = (shown) => {
    input.type = shown ? "text" : "password";
    button.textContent = shown ? "Hide" : "Show";
    button.setAttribute("aria-label", `${button.textContent} ${label}`);
  };
  button.addEventListener("click", () => show(input.type === "password"));
  row.append(input, button);
  input.form.addEventListener("submit", () => show(false));
  show(false);
}

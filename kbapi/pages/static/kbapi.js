/* Improves pages that work without it: a button beside each text that can be copied. */
for (const field of document.querySelectorAll("input[data-copy]")) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = field.dataset.copy;
  button.addEventListener("click", async () => {
    field.select();
    try {
      await navigator.clipboard.writeText(field.value);
    } catch {
      document.execCommand("copy");
    }
    button.textContent = "Copied";
  });
  field.after(button);
}

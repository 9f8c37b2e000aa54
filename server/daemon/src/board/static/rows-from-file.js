// Puts a chosen file's text where it is sent from; without this script the text is pasted.
for (const chooser of document.querySelectorAll("input[data-into]")) {
  const field = chooser.closest("label");
  field.hidden = false;
  chooser.addEventListener("change", async () => {
    const file = chooser.files[0];
    if (file) document.getElementById(chooser.dataset.into).value = await file.text();
  });
}

/* A photo of the last failure: made small on the tablet, looked at, then logged. Drawing it anew
   leaves out everything the camera wrote beside the picture: place, time, owner. */
(function (root) {
  "use strict";

  const { closeSheets, feel, offered, onTap, shift, texts, whenOpened } = root.trialog;
  const { t } = texts;
  const $ = (id) => document.getElementById(id);
  const LONGEST_SIDE = 1280;
  const MOST_BYTES = 300 * 1000;
  const QUALITIES = [0.82, 0.7, 0.58, 0.46, 0.34];
  const SMALLER = [1, 0.75, 0.5]; /* sides, where no quality is enough */

  let target = null;
  let blob = null;

  const fit = (width, height, most) => {
    const share = Math.min(1, most / Math.max(width, height));
    return [Math.max(1, Math.round(width * share)), Math.max(1, Math.round(height * share))];
  };

  function draw(picture, most) {
    const canvas = $("photo-preview");
    [canvas.width, canvas.height] = fit(picture.width, picture.height, most);
    const pen = canvas.getContext("2d");
    pen.fillStyle = "#fff";
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
    return canvas;
  }

  const asJpeg = (canvas, quality) =>
    new Promise((done) => { canvas.toBlob(done, "image/jpeg", quality); });

  /* The largest picture that fits, at the best quality that fits. */
  async function shrink(picture) {
    for (const share of SMALLER) {
      const canvas = draw(picture, LONGEST_SIDE * share);
      for (const quality of QUALITIES) {
        const made = await asJpeg(canvas, quality);
        if (made && made.size <= MOST_BYTES) return made;
      }
    }
    throw new Error("no quality makes this picture small enough");
  }

  async function take(file) {
    blob = null;
    try {
      const picture = await createImageBitmap(file);
      blob = await shrink(picture);
      picture.close();
    } catch {
      blob = null;
    }
    show(blob ? sizeWords() : t("photo.broken"));
  }

  function sizeWords() {
    const { width, height } = $("photo-preview");
    return t("photo.size", { width, height, size: Math.max(1, Math.round(blob.size / 1000)) });
  }

  function show(words) {
    $("photo-preview").hidden = blob === null;
    $("photo-save").disabled = blob === null;
    $("photo-take-words").textContent = t(blob ? "photo.again" : "photo.take");
    $("photo-words").textContent = words;
  }

  /* The newest failure among the last lines; an older one is no longer in front of anybody. */
  const lastFailure = () => offered(shift.standing()).find((line) => line.kind === "failed") || null;

  whenOpened("photo", () => {
    blob = null;
    target = lastFailure();
    $("photo-file").value = "";
    const off = target ? "" : "photo.none";
    $("photo-of").textContent = target ? t("photo.of", { words: shift.words(target) }) : "";
    $("photo-take").hidden = off !== "";
    $("photo-save").hidden = off !== "";
    show(t(off || "photo.hint"));
  });
  $("photo-file").addEventListener("change", (event) => {
    if (event.target.files.length > 0) take(event.target.files[0]);
  });
  onTap($("photo-save"), async () => {
    const photo = blob;
    if (!photo) return;
    closeSheets();
    await shift.log({ kind: "photo", target: target.client_id }, { photo });
    feel("chosen");
  });
})(window);

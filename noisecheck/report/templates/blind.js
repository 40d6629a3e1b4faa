/* Listening without knowing which is which: order and clips by lot, at true or at equal level. */

function wireBlind() {
  const place = element("blind-place"), value = element("blind-value"), matched = element("blind-matched"), said = element("blind-said");
  const groupsOf = () => Array.from(document.querySelectorAll(`table.pairs[data-place="${place.value}"] tbody tr`), (row) => ({
    name: row.dataset.value,
    clips: Array.from(row.querySelectorAll("audio")),
  }));
  let pair = null, heard = new Set(), right = 0, tries = 0;
  const player = new Audio();

  const draw = () => {
    const groups = groupsOf(), base = groups[0], other = groups.find((g) => g.name === value.value) || groups[1];
    const lot = (clips) => clips[Math.floor(Math.random() * clips.length)];
    const sides = [{ name: base.name, clip: lot(base.clips) }, { name: other.name, clip: lot(other.clips) }];
    pair = Math.random() < 0.5 ? sides : sides.reverse();
    heard = new Set();
    element("blind-base").textContent = base.name;
    element("blind-asked").textContent = other.name;
  };

  /* The volume at which a clip sounds as loud as it was, or as loud as the other one: never above the full volume. */
  const volume = (clip) => {
    const gain = (c) => (matched.checked ? 0 : Number(c.dataset.lae)) - Number(c.dataset.played);
    return 10 ** ((gain(clip) - Math.max(...pair.map((side) => gain(side.clip)))) / 20);
  };

  const play = (which) => {
    player.src = pair[which].clip.src;
    player.volume = volume(pair[which].clip);
    player.play();
    heard.add(which);
  };

  /* How often guessing alone is right at least so often: the upper tail of a fair coin. */
  const byGuessing = () => {
    let share = 0, term = 0.5 ** tries;
    for (let k = 0; k <= tries; k++) {
      if (k >= right) share += term;
      term *= (tries - k) / (k + 1);
    }
    return share;
  };

  const answer = (which) => {
    if (heard.size < 2) {
      said.textContent = "Listen to both first.";
      return;
    }
    const hit = pair[which].name === element("blind-asked").textContent;
    tries += 1;
    right += hit ? 1 : 0;
    said.textContent = (hit ? "Right" : "Wrong") + ": the first was " + pair[0].name + ", the second " + pair[1].name + ". "
      + right + " of " + tries + " right; guessing is right so often or more in " + Math.round(100 * byGuessing()) + " % of tries.";
    draw();
  };

  const again = () => {
    right = 0;
    tries = 0;
    said.textContent = "";
    draw();
  };

  const choosePlace = () => {
    value.replaceChildren(...groupsOf().slice(1).map((group) => made("option", group.name)));
    again();
  };

  place.addEventListener("change", choosePlace);
  [value, matched].forEach((input) => input.addEventListener("change", again));
  element("blind-first").addEventListener("click", () => play(0));
  element("blind-second").addEventListener("click", () => play(1));
  element("blind-say-first").addEventListener("click", () => answer(0));
  element("blind-say-second").addEventListener("click", () => answer(1));
  const first = said.textContent;
  choosePlace();
  said.textContent = first;
}

if (element("blind")) wireBlind();

/** How likely it is to be right at least so often in so many trials by guessing one of two. */
function byGuessing(right, trials) {
  let term = 0.5 ** trials, sum = 0;
  for (let n = 0; n <= trials; n++) {
    if (n >= right) sum += term;
    term *= (trials - n) / (n + 1);
  }
  return Math.min(1, sum);
}

/** A whole number below a limit, each as likely. */
function drawn(limit) {
  const most = Math.floor(2 ** 32 / limit) * limit, word = new Uint32Array(1);
  do crypto.getRandomValues(word); while (word[0] >= most);
  return word[0] % limit;
}

function shuffled(list) {
  const out = [...list];
  for (let n = out.length - 1; n > 0; n--) {
    const other = drawn(n + 1);
    [out[n], out[other]] = [out[other], out[n]];
  }
  return out;
}

package nailbridge.oracle;

/** Why a run cannot say anything about its inputs: the options or the files around them are wrong. */
final class Refusal extends Exception {
  private static final long serialVersionUID = 1L;

  Refusal(String message) {
    super(message);
  }
}

def shop_text():
    return "x"
